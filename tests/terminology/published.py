"""The codes that may be used at all, in `published_codes.csv`: each was seen in a published source.

Source: this project's survey of 2026-11-25 of SNOMED International's Global Patient Set 20200930, FHIR R4 4.0.1, HL7
Terminology, HL7 and national implementation guides, NLM value sets and DICOM PS3.16. Grade A: an official publication;
B: a national guide or an open model only; C: third-party pages only, not to be used. `gps`: in the Global Patient Set.
"""

import csv
from pathlib import Path

FILE = Path(__file__).with_name("published_codes.csv")


def published_codes() -> dict[tuple[str, str], dict[str, str]]:
    """Rows by system and code."""
    with FILE.open(encoding="utf-8", newline="") as lines:
        return {(row["system"], row["code"]): row for row in csv.DictReader(lines)}
