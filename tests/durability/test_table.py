"""The table of docs/durability.md: every fault of the suite with its test, and nothing lost."""

import re

from tests.durability.faults import FAULTS
from tests.durability.table import BEGIN, END, PAGE, ROOT, table

ROWS = [
    [cell.strip() for cell in re.split(r"(?<!\\)\|", line)[1:-1]]
    for line in PAGE.read_text("utf-8").partition(BEGIN)[2].partition(END)[0].splitlines()
    if line.startswith("| ")
][2:]


def test_every_fault_that_is_injected_stands_in_the_table_with_nothing_lost():
    assert {row[0] for row in ROWS} == set(FAULTS.values())
    assert {row[4] for row in ROWS} == {"0"}
    assert all(int(row[2]) > 0 for row in ROWS)


def test_each_row_names_the_test_that_injects_it():
    keys = {words: key for key, words in FAULTS.items()}
    for fault, _, _, _, _, test in ROWS:
        source = (ROOT / "tests" / test.strip("`")).read_text("utf-8")
        assert f'"{keys[fault]}"' in source


def test_a_row_says_what_was_measured():
    row = {
        "fault": "copying",
        "engine": "SQLite",
        "times": 3,
        "acknowledged": 48,
        "lost": 0,
        "test": "tests/a/test_b.py",
    }
    line = table([row, row | {"fault": "service", "lost": 2}]).splitlines()
    assert line[2].startswith("| `kill -9` of the service under load, 3 writers | SQLite | 3 | 48 | 2 |")
    assert line[3] == "| `kill -9` of `copy`, then again | SQLite | 3 | 48 | 0 | `a/test_b.py` |"
