#!/usr/bin/env python3
"""A first look at a plant's wear, from files alone: nothing here asks groovecast.

    groovecast intervals --config plant.toml --out intervals.csv
    python morning.py intervals.csv --terms starts,blind_h --ridge 1          # the model, as `groovecast fit --table` fits it
    python morning.py intervals.csv --data data --unit K1 --hold-s 3600      # run hours of a unit, from its speed

It needs polars, numpy and scipy from PyPI. README.md beside it says what the columns are. A model is advice for planning: its
chances say nothing about fitness for food contact or pressure service, and the plant's own longest interval always wins.
"""
import argparse
import json
from pathlib import Path

import numpy as np
import polars as pl
from scipy.optimize import minimize


def intervals(path):
    """The intervals table; times as instants."""
    table = pl.read_parquet(path) if path.endswith(".parquet") else pl.read_csv(path, infer_schema_length=None)
    return table.with_columns(pl.col("start_at", "end_at").str.to_datetime(time_zone="UTC"))


def fit(table, terms, limit, ridge, shape=1.0):
    """The hazard of grade `limit`: complementary log-log, an intercept per starting grade, ridge per standard deviation.

    A row's chance of an event is 1 - exp(-H), H = exp(intercept + x b) (end^k - start^k).
    """
    strata = sorted(table["grade_start"].unique().to_list())
    event = (table["grade_end"] >= limit).to_numpy()
    hours = (table["end_h"] ** shape - table["start_h"] ** shape).to_numpy()
    x = table.select(terms).cast(pl.Float64).to_numpy()
    mean, sd = x.mean(axis=0), x.std(axis=0)
    stratum = np.column_stack([(table["grade_start"] == grade).to_numpy() for grade in strata]).astype(float)
    design = np.column_stack([stratum, (x - mean) / sd])
    penalty = np.concatenate([np.zeros(len(strata)), np.full(len(terms), float(ridge))])

    def log_likelihood(at):
        hazard = np.exp(design @ at) * hours
        return np.where(event, np.log(-np.expm1(-hazard)), -hazard).sum()

    def cost(at):
        return 0.5 * (penalty * at**2).sum() - log_likelihood(at)

    def slope(at):
        hazard = np.exp(design @ at) * hours
        return penalty * at - design.T @ np.where(event, hazard / np.expm1(hazard), -hazard)

    def bend(at):
        hazard = np.exp(design @ at) * hours
        pull = hazard / np.expm1(hazard)
        weight = np.where(event, pull * (hazard / -np.expm1(-hazard) - 1.0), hazard)
        return (design.T * weight) @ design + np.diag(penalty)

    start = np.zeros(design.shape[1])
    start[: len(strata)] = np.log(max(event.sum(), 1) / hours.sum())
    found = minimize(cost, start, jac=slope, hess=bend, method="trust-exact", options={"gtol": 1e-10})
    at = found.x
    for _ in range(5):  # what is left is far below what the optimiser looks at
        at = at - np.linalg.solve(bend(at), slope(at))
    error = np.sqrt(np.diag(np.linalg.inv(bend(at))))
    per_sd, intercepts = at[len(strata) :], at[: len(strata)] - (at[len(strata) :] * mean / sd).sum()
    return {
        "terms": [
            {"name": name, "coefficient": per_sd[j] / sd[j], "std_error": error[len(strata) + j] / sd[j]}
            for j, name in enumerate(terms)
        ],
        "intercepts": [{"grade_start": int(grade), "value": intercepts[g]} for g, grade in enumerate(strata)],
        "log_likelihood": log_likelihood(at),
        "penalty": 0.5 * (penalty * at**2).sum(),
        "n_rows": table.height,
        "n_events": int(event.sum()),
    }


def readings(data, unit, signal):
    """The readings of a unit's signal, in order of time: of each day the file with the highest number."""
    newest = [max(day.glob("*.parquet"), key=lambda file: int(file.stem)) for day in Path(data, "readings").iterdir()]
    wanted = (pl.col("unit") == unit) & (pl.col("signal") == signal)
    frames = [pl.read_parquet(file).filter(wanted) for file in newest]
    # Of two values for one instant the first counts.
    return pl.concat(frames).unique("at", keep="first", maintain_order=True).sort("at")


def run_hours(data, unit, hold_s, above_rpm=5.0):
    """Stretches in which a unit ran, by its speed: each value holds until the next, but no longer than `hold_s`."""
    speed = readings(data, unit, "speed")
    until = pl.min_horizontal(pl.col("at").shift(-1), pl.col("at") + pl.duration(microseconds=int(hold_s * 1e6)))
    runs = speed.with_columns(until=until).filter((pl.col("value") > above_rpm) & (pl.col("quality") > 0))
    return runs.select("at", "until")


def hours_between(runs, start, end):
    """Run hours from one instant to another."""
    begin = pl.max_horizontal(pl.col("at"), pl.lit(start))
    stop = pl.min_horizontal(pl.col("until"), pl.lit(end))
    seconds = (stop - begin).dt.total_microseconds().clip(lower_bound=0).sum() / 1e6
    return runs.select(seconds).item() / 3600


def main():
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("intervals")
    arguments.add_argument("--terms", default="starts")
    arguments.add_argument("--limit", type=int, default=2)
    arguments.add_argument("--ridge", type=float, default=1.0)
    arguments.add_argument("--data")
    arguments.add_argument("--unit")
    arguments.add_argument("--hold-s", type=float, default=3600.0)
    given = arguments.parse_args()
    table = intervals(given.intervals)
    if given.data and given.unit:
        runs = run_hours(given.data, given.unit, given.hold_s)
        hours = runs.select((pl.col("until") - pl.col("at")).dt.total_microseconds().sum() / 3.6e9).item()
        print(json.dumps({"unit": given.unit, "run_h": hours}, indent=2))
    else:
        print(json.dumps(fit(table, given.terms.split(","), given.limit, given.ridge), indent=2))


if __name__ == "__main__":
    main()
