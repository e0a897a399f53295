"""Writes CSV files as sheets of one workbook, with times, numbers and texts as cells of their own kind, as a person would type
them:  workbook.py ZONE BOOK.xlsx FILE.csv...  openpyxl writes it; times are those of the plant's zone, without an offset."""

import csv
import datetime
import pathlib
import sys
import zoneinfo

import openpyxl


def cell(text, zone):
    try:
        return float(text)
    except ValueError:
        pass
    try:
        instant = datetime.datetime.fromisoformat(text)
    except ValueError:
        return text or None
    return instant.astimezone(zone).replace(tzinfo=None)


def main(zone, book, *files):
    workbook = openpyxl.Workbook()
    workbook.active.append(["The register and the findings are on the other sheets"])
    for file in map(pathlib.Path, files):
        sheet = workbook.create_sheet(file.stem.capitalize())
        with file.open(newline="") as lines:
            header, *rows = csv.reader(lines)
        sheet.append(header)
        for row in rows:
            sheet.append([cell(text, zoneinfo.ZoneInfo(zone)) for text in row])
    workbook.save(book)


main(*sys.argv[1:])
