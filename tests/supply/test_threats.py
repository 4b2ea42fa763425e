"""The threat model names what is there: every file of its answers exists, and each threat is told whole."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "threats.md").read_text("utf-8")
THREATS = {part.partition("\n")[0]: part for part in PAGE.split("\n## ")[1:]}
FILES = sorted(set(re.findall(r"`((?:service|tests|requirements|docs)/[\w./-]+|Makefile)`", PAGE)))
PARTS = ("**What.**", "**How it is met.**", "**What remains.**")


def test_the_threats_of_such_a_service_are_all_there():
    assert len(THREATS) == 14
    assert len(FILES) > 50


@pytest.mark.parametrize("name", FILES)
def test_a_file_that_an_answer_names_is_there(name):
    assert (ROOT / name).exists()


@pytest.mark.parametrize("threat", THREATS)
def test_each_threat_says_what_how_it_is_met_and_what_remains(threat):
    told = THREATS[threat]
    assert [told.count(part) for part in PARTS] == [1, 1, 1]
    met = told.partition(PARTS[1])[2].partition(PARTS[2])[0]
    assert re.search(r"`service/|`requirements/", met), "a module that meets it"
    assert "`tests/" in met, "a test that shows it"
    assert len(told) < 2500, "half a page"
