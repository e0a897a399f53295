#!/usr/bin/env python3
"""Holds the open interfaces of a running service against readers that others wrote.

    python3 -m venv VENV && VENV/bin/pip install -r requirements.txt
    VENV/bin/python interfaces.py http://127.0.0.1:8080 [--examples 25] [--token TOKEN]

OpenMetrics is read by the reference parser, the OpenAPI document by a validator of the specification, and every route is
tried against the document with requests made up from it. Prints what failed; exits 1 if anything did.
"""

import argparse
import csv
import io
import json
import subprocess
import sys
import tempfile
import urllib.error
import urllib.parse
import urllib.request
import xml.etree.ElementTree as xml
from collections import defaultdict
from pathlib import Path

from openapi_spec_validator import OpenAPIV31SpecValidator, validate
from prometheus_client.openmetrics.parser import text_string_to_metric_families

OPENMETRICS = "application/openmetrics-text; version=1.0.0; charset=utf-8"


def get(base, path, **headers):
    """Status, headers and body of a GET."""
    request = urllib.request.Request(base + path, headers={name.replace("_", "-"): value for name, value in headers.items()})
    try:
        with urllib.request.urlopen(request, timeout=30) as answer:
            return answer.status, answer.headers, answer.read()
    except urllib.error.HTTPError as answer:
        return answer.code, answer.headers, answer.read()


def need(holds, words):
    if not holds:
        raise AssertionError(words)


def metrics(base):
    """The parser takes every line, and risks are those of the JSON: none invented, none missing, none crossed."""
    status, headers, body = get(base, "/metrics")
    need(status == 200 and headers["Content-Type"] == OPENMETRICS, f"{status} {headers['Content-Type']!r}")
    families = {family.name: family for family in text_string_to_metric_families(body.decode())}
    for name in ["groovecast", "groovecast_risk_ratio", "groovecast_score_state", "groovecast_readings", "groovecast_ready"]:
        need(name in families, f"no family {name}")
    # A sample whose name does not belong to the family above it is read as a family of unknown type.
    unknown = [name for name, family in families.items() if family.type == "unknown"]
    need(not unknown, f"samples outside their family: {unknown}")
    need(len(families["groovecast_readings"].samples) == 1, "no count of readings")
    ends = defaultdict(dict)
    for end in ["groovecast_risk_lower_ratio", "groovecast_risk_ratio", "groovecast_risk_upper_ratio"]:
        for sample in families[end].samples:
            ends[frozenset(sample.labels.items())][end] = sample.value
    for labels, values in ends.items():
        need(len(values) == 3, f"{dict(labels)} has only {list(values)}")
        lower, risk, upper = (values[end] for end in sorted(values, key=lambda end: ["lower", "ratio", "upper"].index(end.split("_")[2])))
        need(0 <= lower <= risk <= upper <= 1, f"{dict(labels)}: {lower} {risk} {upper}")
    holding = defaultdict(int)
    for sample in families["groovecast_score_state"].samples:
        holding[sample.labels.get("unit"), sample.labels.get("tube")] += sample.value
    need(all(count == 1 for count in holding.values()), f"not one state each: {dict(holding)}")
    scores = json.loads(get(base, "/api/v1/risks")[2])["risks"]
    told = {
        (score["unit"], score["tube"], ahead["horizon_h"])
        for score in scores
        for ahead in score["risks"]
        if score["state"] != "stale"
    }
    shown = {
        (labels.get("unit"), labels.get("tube"), float(labels["horizon_hours"]))
        for labels in (sample.labels for sample in families["groovecast_risk_ratio"].samples)
    }
    need(told == shown, f"only in JSON: {told - shown}; only in metrics: {shown - told}")
    return f"{len(families)} families, {len(shown)} risks"


def openapi(base):
    """The document is OpenAPI 3.1 by its own schema."""
    document = json.loads(get(base, "/api/openapi.json")[2])
    need(document["openapi"].startswith("3.1"), document["openapi"])
    validate(document, cls=OpenAPIV31SpecValidator)
    return f"{len(document['paths'])} paths"


def tables(base):
    """A strict reader takes the tables, and a missing risk is an empty cell."""
    rows = list(csv.DictReader(io.StringIO(get(base, "/api/v1/risks.csv")[2].decode(), newline=""), strict=True))
    scores = json.loads(get(base, "/api/v1/risks")[2])["risks"]
    need(all(None not in row and None not in row.values() for row in rows), "rows of unequal length")
    names = ["horizon_h", "risk", "lower", "upper"]
    told = [
        [score["unit"] or "", score["tube"] or "", *(None if ahead is None else ahead[name] for name in names)]
        for score in scores
        for ahead in score["risks"] or [None]
    ]
    read = [[row["unit"], row["tube"], *(float(row[name]) if row[name] else None for name in names)] for row in rows]
    need(told == read, f"JSON and CSV differ: {[pair for pair in zip(told, read) if pair[0] != pair[1]][:3]}")
    signals = list(csv.DictReader(io.StringIO(get(base, "/api/v1/signals.csv")[2].decode(), newline=""), strict=True))
    need(get(base, "/api/v1/risks", Accept="text/csv")[1]["Content-Type"].startswith("text/csv"), "text/csv is not given to who asks")
    return f"{len(rows)} risks, {len(signals)} signals"


def pictures(base):
    """Every chart is XML that names itself and has nothing that could run."""
    tubes = [line["tube"] for line in json.loads(get(base, "/api/v1/tubes")[2])["tubes"]]
    paths = ["/charts/board.svg"] + [f"/charts/tubes/{urllib.parse.quote(tube, safe='')}.svg?theme=dark" for tube in tubes]
    for path in paths:
        status, headers, body = get(base, path)
        need(status == 200 and headers["Content-Type"] == "image/svg+xml", f"{path}: {status}")
        root = xml.fromstring(body)
        names = {element.tag.removeprefix("{http://www.w3.org/2000/svg}") for element in root.iter()}
        need({"title", "desc"} <= names, f"{path} does not name itself")
        need(names <= {"svg", "title", "desc", "rect", "polyline", "polygon", "line", "text"}, f"{path}: {names}")
    return f"{len(paths)} charts"


def revalidation(base):
    """Who has the bytes is answered 304. A live service may change between two requests: then its tag must change too."""
    for path in ["/", "/api/openapi.json", "/api/v1/tubes", "/api/v1/risks.csv", "/charts/board.svg", "/style.css"]:
        for _ in range(5):
            tag = get(base, path)[1]["ETag"]
            need(tag and not tag.startswith("W/"), f"{path}: {tag!r}")
            status, headers, body = get(base, path, If_None_Match=tag)
            if status == 304:
                need(body == b"" and headers["ETag"] == tag, f"{path}: a 304 with {len(body)} bytes")
                break
            need(headers["ETag"] != tag, f"{path}: {status} although the tag {tag} is the same")
        else:
            raise AssertionError(f"{path} was never answered 304")
    return "304"


def requests_made_up(base, examples, token):
    """Schemathesis: answers of all routes to good and bad requests are as the document says.

    With a token it gets in everywhere, and holds that nobody does without it, or with another, where the document asks for it.
    """
    document = json.loads(get(base, "/api/openapi.json")[2])
    # Names that the service has: without them hardly a made-up request would find a tube.
    scores = json.loads(get(base, "/api/v1/risks")[2])["risks"]
    known = next((score for score in scores if score["tube"] and score["unit"]), None)
    if known:
        parameters = document["components"]["parameters"]
        parameters["Tube"]["example"] = parameters["TubeFilter"]["example"] = known["tube"]
        parameters["UnitFilter"]["example"] = known["unit"]
    command = [
        str(Path(sys.executable).parent / "schemathesis"), "run", "openapi.json", "--url", base, "--no-color",
        "--include-method", "GET", "--phases", "examples,coverage,fuzzing", "--max-examples", str(examples),
        "--generation-deterministic", "--continue-on-failure", "--warnings", "off",
    ]
    if token:
        # Only this way in: a made-up cookie beside a good token would be let in, and rightly.
        del document["components"]["securitySchemes"]["session"]
        for needs in [document, *(route for path in document["paths"].values() for route in path.values())]:
            if "security" in needs:
                needs["security"] = [need for need in needs["security"] if "session" not in need]
        command += ["--header", f"Authorization: Bearer {token}"]
    if get(base, "/health/ready")[0] != 200:
        print("   /health/ready says 503, which is described but counts as a server error: left out")
        command += ["--exclude-path", "/health/ready"]
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "openapi.json").write_text(json.dumps(document))
        run = subprocess.run(command, capture_output=True, text=True, timeout=600, cwd=folder)
    need(run.returncode == 0, run.stdout[-8000:] + run.stderr[-2000:])
    return next((line.strip() for line in run.stdout.splitlines() if "generated" in line), "passed")


def main():
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("base", help="where the service answers, for example http://127.0.0.1:8080")
    arguments.add_argument("--examples", type=int, default=25, help="made-up requests per route (25)")
    arguments.add_argument("--token", help="the token of an analyst, for what is not open to all")
    given = arguments.parse_args()
    base = given.base.rstrip("/")
    checks = [metrics, openapi, tables, pictures, revalidation, lambda base: requests_made_up(base, given.examples, given.token)]
    names = ["OpenMetrics", "OpenAPI", "CSV", "SVG", "ETag", "made-up requests"]
    failed = 0
    for name, check in zip(names, checks, strict=True):
        try:
            print(f"ok {name}: {check(base)}", flush=True)
        except Exception as error:
            failed += 1
            print(f"FAILED {name}: {type(error).__name__}: {error}", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
