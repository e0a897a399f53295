#!/usr/bin/env python3
"""Prints the licences of all that is linked into the program: the letters of charts, and each text of the crates once, with the crates
that came with it."""

import json
import pathlib
import subprocess

PROGRAM = ["-p", "groovecast", "--no-default-features", "--locked"]


def said(*command):
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


tree = said("cargo", "tree", *PROGRAM, "--edges", "normal", "--prefix", "none", "--format", "{p}|")
linked = {line.split("|")[0].split(" (")[0] for line in tree.splitlines()}
packages = json.loads(said("cargo", "metadata", "--format-version", "1", "--locked"))["packages"]
texts, bare = {}, []
for package in sorted(packages, key=lambda package: (package["name"], package["version"])):
    name = f'{package["name"]} v{package["version"]}'
    if name not in linked or package["source"] is None:
        continue
    folder = pathlib.Path(package["manifest_path"]).parent
    files = sorted(file for word in ("LICEN?E*", "COPYING*", "NOTICE*") for file in folder.glob(word) if file.is_file())
    if not files:
        bare.append(f'{name}: {package["license"]}, {package["repository"]}')
    for file in files:
        texts.setdefault(file.read_text(errors="replace").strip(), []).append(name)
letters = pathlib.Path("dashboards/fonts/LICENSE").read_text().strip()
texts[letters] = ["the letters of charts in pixels (no crate)"]
assert len(texts) > 10, "hardly any licence was found: are the sources of the crates there?"
print("groovecast is linked with the crates below, under the licences that stand after their names.\n")
print("Of these, only the name of the licence came with the crate:\n")
print("\n".join(bare))
for text, names in texts.items():
    print("\n" + "=" * 100 + "\n" + ", ".join(dict.fromkeys(names)) + "\n" + "-" * 100 + "\n" + text)
