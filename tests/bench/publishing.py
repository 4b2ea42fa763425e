"""A run as JSON for machines, a table for a terminal, and the tables of docs/performance.md.

`python -m tests.bench.publishing build/bench/bench.json` prints them; with `--into docs/performance.md` they take the
place of those between the marks, and the drawing is copied beside the document.
"""

import argparse
import shutil
import sys
from pathlib import Path

import orjson

from tests.bench.document import NOT_MEASURED, in_brackets, made, markdown, put_into
from tests.bench.drawing import drawing
from tests.bench.run import Found, Run


def written(folder: Path, run: Run) -> None:
    """Writes `bench.json` and `growth.svg` into the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    found = run.as_json()
    (folder / "bench.json").write_bytes(orjson.dumps(found, option=orjson.OPT_INDENT_2))
    (folder / "growth.svg").write_text(drawing(found), encoding="utf-8")


def table(found: Found) -> str:
    """For a terminal."""
    lines = [made(found), ""]
    for goal in found["goals"]:
        bound = f"{'<=' if goal['at_most'] else '>='} {goal['bound']:g}"
        for one in goal["measured"]:
            words = f"{goal['words']} {in_brackets(one['engine'])}"
            lines.append(
                f"{goal['goal']:4}{words:84}{one['ratio']:9.2f} x  {bound:8} {'met' if one['met'] else 'MISSED'}"
            )
        if not goal["measured"]:
            lines.append(f"{goal['goal']:4}{goal['words']:84}{'-':>9}    {bound:8} {NOT_MEASURED}")
    lines += [f"    {one['what']:84}{one['value']:9.2f} {one['unit']}" for one in found["figures"]]
    return "\n".join(lines)


def main() -> int:
    asked = argparse.ArgumentParser(prog="tests.bench.publishing", description=__doc__)
    asked.add_argument("run", type=Path, help="bench.json of a run")
    asked.add_argument("--into", type=Path, metavar="DOCUMENT", help="put it between the marks of a document")
    given = asked.parse_args()
    found = orjson.loads(given.run.read_bytes())
    if given.into is None:
        print(markdown(found))
        return 0
    given.into.write_text(put_into(given.into.read_text("utf-8"), found), "utf-8")
    shutil.copyfile(given.run.with_name("growth.svg"), given.into.with_name("growth.svg"))
    return 0


if __name__ == "__main__":
    sys.exit(main())
