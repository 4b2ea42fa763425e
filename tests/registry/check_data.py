"""The check data beside this file: CSV with the source in comment lines at the top."""

import csv
from pathlib import Path

FOLDER = Path(__file__).with_name("data")


def rows(name):
    """The rows of a file as dicts of text."""
    lines = [line for line in (FOLDER / name).read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))
