"""`make bench`: everything of docs/performance.md as ratios within one run. `SMALL=1` for a look of a few minutes."""

import argparse
import os
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.bench import growth, http_side, pipeline, publishing, starting
from tests.bench.goals import Measure
from tests.engines import fresh_database, postgresql_server


@dataclass(frozen=True)
class Plan:
    """How much of everything a run does."""

    name: str
    pipeline: pipeline.Sizes
    http: http_side.Sizes
    stores: tuple[int, ...]
    searches: int
    starts: int
    postgresql: bool


TINY = Plan("tiny", pipeline.Sizes(5, 26, 4, 6), http_side.Sizes(5, 1, 1, 0.2), (600, 1_200), 5, 1, False)
SMALL = Plan("small", pipeline.Sizes(100, 60, 20, 40), http_side.Sizes(200, 5, 20, 5), (10_000, 50_000), 500, 5, True)
WHOLE = Plan(
    "whole",
    pipeline.Sizes(300, 120, 100, 400),
    http_side.Sizes(500, 9, 60, 20),
    (10_000, 100_000, 1_000_000),
    2_000,
    15,
    True,
)


def measures(plan: Plan, folder: Path) -> Iterator[Measure]:
    """Every part in turn. An export or a report is measured here too once it has a module of its own."""
    yield from pipeline.measures(folder, plan.pipeline)
    yield from starting.measures(folder, plan.starts)
    yield from http_side.measures(folder, plan.http)
    yield from growth.measures(f"sqlite:///{folder}/growth.sqlite3", "SQLite", plan.stores, plan.searches)
    if plan.postgresql:
        with postgresql_server() as server:
            address = fresh_database(server.get_uri())
            yield from growth.measures(address, "PostgreSQL", plan.stores, plan.searches)


def run(plan: Plan, into: Path) -> list[Measure]:
    """Measure, and write JSON and drawing."""
    found = []
    with tempfile.TemporaryDirectory(prefix="closure-bench-") as folder:
        for one in measures(plan, Path(folder)):
            found.append(one)
            print(f"{one.what} {one.engine}: {one.value:.2f} {one.unit}", file=sys.stderr, flush=True)
    publishing.written(into, found, plan.name)
    return found


def main() -> int:
    asked = argparse.ArgumentParser(prog="tests.bench", description=__doc__)
    asked.add_argument("--into", type=Path, default=Path("build/bench"), help="folder for bench.json and growth.svg")
    into = asked.parse_args().into
    found = run(SMALL if os.environ.get("SMALL") else WHOLE, into)
    print(publishing.table(found))
    print(f"written: {into}/bench.json, {into}/growth.svg")
    return 0


if __name__ == "__main__":
    sys.exit(main())
