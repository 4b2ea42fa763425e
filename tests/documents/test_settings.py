"""The page of settings names those that the code reads, and no other."""

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
NAME = re.compile(r"\bCLOSURE_READINGS_[A-Z_]+[A-Z]\b")


def test_every_setting_that_is_read_is_on_the_page_and_no_other():
    read = {name for file in (ROOT / "service").rglob("*.py") for name in NAME.findall(file.read_text("utf-8"))}
    page = (ROOT / "docs" / "settings.md").read_text("utf-8")
    assert set(NAME.findall(page)) == read
    assert len(read) > 20


def test_what_the_documents_point_to_is_there():
    for document in (ROOT / "docs").glob("*.md"):
        for link in re.findall(r"\]\((?!http)([^)#]+)\)", document.read_text("utf-8")):
            assert (document.parent / link).exists(), (document.name, link)
