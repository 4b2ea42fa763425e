"""docs/hl7v2.md shows lines that are really sent."""

import re
from pathlib import Path

DOCUMENT = Path(__file__).parents[2] / "docs" / "hl7v2.md"


def test_the_lines_of_the_document_are_lines_of_the_message(told):
    block = re.findall(r"(?ms)^```\n(PID.*?)^```$", DOCUMENT.read_text("utf-8"))[0].splitlines()
    lines = told("lower-leg-0302", "e05").split("\r")
    assert [line for line in block if line not in lines] == []
