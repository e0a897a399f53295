"""Hourly exposures by an analytical database, from the Parquet files that `import_speed` left.

    python -m venv /tmp/duck && /tmp/duck/bin/pip install duckdb
    cargo run --release -p history --example import_speed -- FOLDER
    /tmp/duck/bin/python tests/bench/exposures_duckdb.py FOLDER

Per unit and clock hour the integral of torque, held as a step for at most ten minutes and cut at the hour: one of the
sums that groovecast takes in one pass together with speed, temperature, meter and state. So the comparison favours the
database. With `--program BINARY` the built example is run again on the same folder's files, and the ratio is printed; so it is
for the import: the same CSV into files by day, sorted by unit, signal and time. The database does not check units, signals and
spans, count, nor write so that a kill or a power cut costs nothing.
"""

import argparse
import glob
import os
import re
import shutil
import subprocess
import time

import duckdb

QUERY = """
WITH steps AS (
    SELECT unit, epoch_us("at") AS a, value,
           least(coalesce(lead(epoch_us("at")) OVER (PARTITION BY unit ORDER BY "at"), epoch_us("at") + 600000000),
                 epoch_us("at") + 600000000) AS b
    FROM read_parquet({files})
    WHERE signal = 'torque' AND quality > 0 AND value IS NOT NULL
), pieces AS (
    SELECT unit, a // 3600000000 AS hour, value * (least(b, (a // 3600000000 + 1) * 3600000000) - a) / 1e6 AS nm_s FROM steps
    UNION ALL
    SELECT unit, b // 3600000000, value * (b - b // 3600000000 * 3600000000) / 1e6 FROM steps
    WHERE b // 3600000000 > a // 3600000000
)
SELECT unit, hour, sum(nm_s) AS torque_nm_s FROM pieces GROUP BY unit, hour
"""


IMPORT = """
COPY (SELECT DISTINCT "at", unit, signal, value, quality, ("at" AT TIME ZONE 'UTC')::date AS day
      FROM read_csv('{csv}', columns = {{'at': 'TIMESTAMPTZ', 'unit': 'VARCHAR', 'signal': 'VARCHAR', 'value': 'DOUBLE', 'quality': 'VARCHAR'}})
      ORDER BY unit, signal, "at")
TO '{out}' (FORMAT parquet, PARTITION_BY (day), OVERWRITE_OR_IGNORE)
"""


def compare_import(connection, folder, program):
    csv, out = os.path.join(folder, "past.csv"), os.path.join(folder, "duck")
    since = time.perf_counter()
    rows = connection.execute(IMPORT.format(csv=csv, out=out)).fetchone()[0]
    theirs = time.perf_counter() - since
    shutil.rmtree(out)
    said = subprocess.run([program, folder, "import"], check=True, capture_output=True, text=True).stdout
    ours = sum(float(seconds) for seconds in re.findall(r"rows in ([0-9.]+) s", said))
    print(f"import: duckdb {rows} rows in {theirs:.2f} s, {rows / theirs / 1e6:.2f} million rows/s; history in {ours:.2f} s, "
          f"{rows / ours / 1e6:.2f} million rows/s; {theirs / ours:.2f} times the database's speed\n{said}", end="")


def main():
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("folder")
    arguments.add_argument("--program", help="the built example: exposures are computed again, without their cache")
    chosen = arguments.parse_args()
    files = sorted(glob.glob(os.path.join(chosen.folder, "readings", "*", "*.parquet")))
    connection = duckdb.connect()
    rows = connection.execute(f"SELECT count(*) FROM read_parquet({files})").fetchone()[0]
    torque = connection.execute(f"SELECT count(*) FROM read_parquet({files}) WHERE signal = 'torque'").fetchone()[0]
    best = float("inf")
    for _ in range(3):
        since = time.perf_counter()
        hours = connection.execute(QUERY.format(files=files)).fetchall()
        best = min(best, time.perf_counter() - since)
    print(f"duckdb {duckdb.__version__}: {len(hours)} unit hours, torque alone ({torque} of {rows} rows) in {best:.2f} s, "
          f"{rows / best / 1e6:.2f} million rows of the files per s, {torque / best / 1e6:.2f} million torque rows/s")
    if chosen.program:
        compare_import(connection, chosen.folder, chosen.program)
        shutil.rmtree(os.path.join(chosen.folder, "exposures"), ignore_errors=True)
        said = subprocess.run([chosen.program, chosen.folder, "again"], check=True, capture_output=True, text=True).stdout
        seconds = float(re.search(r"exposures from Parquet: \d+ rows in ([0-9.]+) s", said).group(1))
        print(f"history: all exposures of all {rows} rows in {seconds:.2f} s, {rows / seconds / 1e6:.2f} million rows/s; "
              f"{best / seconds:.2f} times the database's speed per row of the files, "
              f"{torque and (rows / seconds) / (torque / best):.2f} times per row that it had to use")


if __name__ == "__main__":
    main()
