"""Runs the tests that inject faults and writes what they measured into docs/durability.md.

python -m tests.durability.table
"""

import json
import os
import subprocess
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path

from tests.durability.faults import FAULTS, WHERE_MEASURED

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "durability.md"
BEGIN, END = "<!-- measured -->\n", "<!-- end -->\n"
ITSELF = "tests/durability/test_table.py"  # looks at the table that is still to be written
TESTS = (
    "tests/durability",
    *(f"tests/store/test_{name}.py" for name in ("durability", "errors", "copying", "backups")),
)
HEADER = "| fault | engine | times | acknowledged | lost | test |\n| --- | --- | --- | --- | --- | --- |\n"


def table(rows: list[dict]) -> str:
    """The rows in the order of FAULTS."""
    order = list(FAULTS)
    lines = [
        f"| {FAULTS[row['fault']]} | {row['engine']} | {row['times']} | {row['acknowledged'] or '-'} | {row['lost']} "
        f"| `{row['test'].removeprefix('tests/')}` |\n"
        for row in sorted(rows, key=lambda row: (order.index(row["fault"]), row["engine"] == "PostgreSQL"))
    ]
    return HEADER + "".join(lines)


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        where = Path(folder) / "measured.jsonl"
        where.touch()
        ended = subprocess.run(
            [sys.executable, "-m", "pytest", *TESTS, "--ignore", ITSELF],
            cwd=ROOT,
            env=os.environ | {WHERE_MEASURED: str(where)},
        )
        rows = [json.loads(line) for line in where.read_text("utf-8").splitlines()]
    if ended.returncode:
        return ended.returncode
    before, _, rest = PAGE.read_text("utf-8").partition(BEGIN)
    day = datetime.now(UTC).date().isoformat()
    told = f"Measured by the tests on {day}, one run:\n\n{table(rows)}"
    PAGE.write_text(f"{before}{BEGIN}{told}{END}{rest.partition(END)[2]}", "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
