#!/usr/bin/env python3
"""A plant's own files, read by Polars, pandas and DuckDB without groovecast, and held against dashboards/notebook/README.md.

    tests/outside/.venv/bin/python tests/outside/notebook.py FOLDER     (the interpreter of tests/setup's environment)

FOLDER has: data/ of the plant, history.csv that was imported into it, intervals.csv and .parquet, model.json that `groovecast
fit --table` made of them by the terms and ridge that it names, and scores/ and scores-csv/ that `groovecast scores export` wrote.
What is counted and summed comes from the files that were imported, never from us.
"""
import json
import re
import sys
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import polars as pl

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "dashboards/notebook"))
import morning  # noqa: E402

# How each reader calls the types of the page.
POLARS = {
    "Datetime": pl.Datetime("us", "UTC"),
    "String": pl.String,
    "Float64": pl.Float64,
    "UInt8": pl.UInt8,
    "Boolean": pl.Boolean,
}
DUCKDB = {
    "Datetime": "TIMESTAMP WITH TIME ZONE",
    "String": "VARCHAR",
    "Float64": "DOUBLE",
    "UInt8": "UTINYINT",
    "Boolean": "BOOLEAN",
}
PANDAS = {"Datetime": "datetime64[us, UTC]", "Float64": "double", "String": "string", "UInt8": "uint8", "Boolean": "bool"}
# Of the plant of the tests: hold_s of speed in its configuration, s.
SPEED_HOLDS_S = 36_000.0


def documented():
    """The columns of each section of the page, as (name, type, null) in order."""
    tables, section = {}, None
    for line in (ROOT / "dashboards/notebook/README.md").read_text().splitlines():
        if line.startswith("## "):
            section = line[3:]
        row = re.match(r"\| (\w+) \| (Datetime|String|Float64|UInt8|Boolean) \|.* \| ([^|]+) \|$", line)
        if row:
            tables.setdefault(section, []).append(row.groups())
    return tables


def hold(path, columns):
    """Columns, types and nulls of a Parquet file, by each of the three readers; returns what Polars read."""
    path = str(path)
    frame = pl.read_parquet(path)
    bands = [name for name in frame.columns if re.fullmatch(r"torque_\d+_temp_\d+_h", name)]
    columns = [column for column in columns if column[0] != "torque_N_temp_M_h"] + [
        (band, "Float64", "never") for band in bands
    ]
    names = [name for name, _, _ in columns]
    assert frame.columns == names, f"{path}: {frame.columns}, documented are {names}"
    described = duckdb.execute("DESCRIBE SELECT * FROM read_parquet(?)", [path]).fetchall()
    told = {row[0]: row[1] for row in described}
    table = pd.read_parquet(path, dtype_backend="pyarrow")
    assert len(table) == frame.height == duckdb.execute("SELECT count(*) FROM read_parquet(?)", [path]).fetchone()[0]
    for name, kind, null in columns:
        assert frame.schema[name] == POLARS[kind], f"{path}: {name} is {frame.schema[name]} to Polars, not {kind}"
        assert told[name] == DUCKDB[kind], f"{path}: {name} is {told[name]} to DuckDB, not {kind}"
        by_pandas = str(table[name].dtype)
        if kind == "Datetime":
            assert re.fullmatch(r"timestamp\[us, tz=UTC\]\[pyarrow\]", by_pandas), f"{path}: {name} is {by_pandas} to pandas"
        else:
            assert by_pandas.removeprefix("large_").startswith(PANDAS[kind]), f"{path}: {name} is {by_pandas} to pandas"
        if null == "never":
            assert frame[name].null_count() == 0, f"{path}: {name} has nulls"
    return frame


def readings(folder, columns):
    """Day files: what was imported is there, value by value, once."""
    days = sorted(Path(folder, "data/readings").iterdir())
    assert len(days) > 100, f"only {len(days)} days"
    read = []
    for day in days:
        files = list(day.glob("*.parquet"))
        frame = hold(max(files, key=lambda file: int(file.stem)), columns)
        assert frame["at"].dt.date().unique().to_list() == [pd.Timestamp(day.name).date()], f"{day} holds another day"
        keys = frame.with_columns(quality=-pl.col("quality").cast(pl.Int16), value=-pl.col("value"))
        ordered = keys.select("unit", "signal", "at", "quality", "value")
        assert ordered.equals(ordered.sort(ordered.columns, nulls_last=True)), f"{day} is not sorted"
        read.append(frame)
    read = pl.concat(read)
    source = pd.read_csv(Path(folder, "history.csv"))
    source["at"] = pd.to_datetime(source["at"], utc=True)
    ours = read.to_pandas().merge(source, on=["at", "unit", "signal"], how="outer", suffixes=("", "_imported"), indicator=True)
    assert (ours["_merge"] == "both").all(), ours["_merge"].value_counts()
    assert len(ours) == len(source) == read.height, f"{read.height} readings of {len(source)} rows"
    assert np.array_equal(ours["value"], ours["value_imported"]), "values differ"
    counted = duckdb.execute(
        "SELECT unit, signal, count(*) FROM read_parquet(?) GROUP BY ALL ORDER BY ALL",
        [f"{folder}/data/readings/*/*.parquet"],
    ).fetchall()
    expected = source.groupby(["unit", "signal"]).size().reset_index().values.tolist()
    assert [list(row) for row in counted] == expected, f"DuckDB counts {counted}"
    return read


def scores(folder, columns):
    """Exported scores: as documented, the same in CSV, and marked where they were made later."""
    published = [hold(path, columns) for path in sorted(Path(folder, "scores/published").glob("*.parquet"))]
    later = [hold(path, columns) for path in sorted(Path(folder, "scores/back-dated").glob("*.parquet"))]
    assert published and later, "no scores were exported"
    published, later = pl.concat(published), pl.concat(later)
    assert (published["made_at"] == published["at"]).all() and not published["back_dated"].any()
    assert (later["made_at"] > later["at"]).all() and later["back_dated"].all(), "a back-dated score is not marked"
    assert set(later["model"]) == {"model 2"} and "model 1" in set(published["model"]), "the models are not those"
    risks = published.filter(pl.col("risk").is_not_null())
    assert risks.height > 0 and risks["risk"].is_between(risks["lower"], risks["upper"]).all()
    names = [name for name, _, _ in columns]
    for path in sorted(Path(folder, "scores-csv/published").glob("*.csv")):
        table = pd.read_csv(path, keep_default_na=False)
        same = pl.read_parquet(Path(folder, "scores/published", path.stem + ".parquet"))
        assert list(table.columns) == names and len(table) == same.height, path
        numbers = pd.to_numeric(table["risk"]).to_numpy(dtype=float)
        assert np.array_equal(numbers, same["risk"].to_numpy(), equal_nan=True), f"{path}: chances differ"


def hazard(folder):
    """The wear model, fitted again by numpy and scipy alone."""
    model = json.loads(Path(folder, "model.json").read_text())
    names = [term["name"] for term in model["terms"]]
    ours = {}
    for kind in ("csv", "parquet"):
        table = morning.intervals(f"{folder}/intervals.{kind}")
        ours[kind] = morning.fit(table, names, model["limit"], model["ridge"], model["shape"])
    assert ours["csv"] == ours["parquet"], "CSV and Parquet tell different intervals"
    fitted = ours["csv"]

    def near(what, ours, theirs):
        assert abs(ours - theirs) <= 1e-6 * abs(theirs), f"{what}: {ours} by scipy, {theirs} by groovecast"

    for mine, theirs in zip(fitted["terms"], model["terms"], strict=True):
        near(mine["name"], mine["coefficient"], theirs["coefficient"])
        near(mine["name"] + " error", mine["std_error"], theirs["std_error"])
    for mine, theirs in zip(fitted["intercepts"], model["intercepts"], strict=True):
        assert mine["grade_start"] == theirs["grade_start"]
        near(f"intercept {mine['grade_start']}", mine["value"], theirs["value"])
    for name in ("log_likelihood", "penalty", "n_rows", "n_events"):
        near(name, fitted[name], model[name])
    assert model["n_events"] > 3 and len(names) > 1, "too little was fitted to tell anything"
    return fitted


def hours(folder):
    """Run hours of each interval, from the readings of speed."""
    table = morning.intervals(f"{folder}/intervals.csv")
    for unit in ("K1", "K2", "K3"):
        runs = morning.run_hours(f"{folder}/data", unit, SPEED_HOLDS_S)
        rows = table.filter(pl.col("tube") == f"T-{unit}")
        assert rows.height > 5
        for row in rows.iter_rows(named=True):
            ran = morning.hours_between(runs, row["start_at"], row["end_at"])
            assert abs(ran - row["run_h"]) <= 1e-6 * row["run_h"], f"{row['tube']} until {row['end_at']}: {ran} h, not {row['run_h']} h"


def main():
    folder, page = sys.argv[1], documented()
    for section, least in (("Readings", 7), ("Intervals", 20), ("Scores", 20)):
        assert len(page.get(section, [])) >= least, f"the page documents {page.get(section)} of {section}"
    read = readings(folder, page["Readings"])
    hold(f"{folder}/intervals.parquet", page["Intervals"])
    scores(folder, page["Scores"])
    fitted = hazard(folder)
    hours(folder)
    print(f"{read.height} readings, and a model of {fitted['n_rows']} intervals with {fitted['n_events']} events, hold without us")


if __name__ == "__main__":
    main()
