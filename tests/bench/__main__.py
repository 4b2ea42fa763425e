"""`make bench`: everything of docs/performance.md as ratios within one run. `SMALL=1` for a look of three minutes."""

import argparse
import os
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.bench import growth, http_side, pipeline, publishing, registry_report, starting
from tests.bench.goals import Measure
from tests.bench.run import Run
from tests.bench.stores import POSTGRESQL, SQLITE, opened
from tests.engines import fresh_database, postgresql_server


@dataclass(frozen=True)
class Plan:
    """How much of everything a run does."""

    name: str
    pipeline: pipeline.Sizes
    http: http_side.Sizes
    registry: registry_report.Sizes
    growth: growth.Sizes
    starts: int
    postgresql: bool = True


TINY = Plan(
    "tiny",
    pipeline.Sizes(5, 26, 4, 6),
    http_side.Sizes(5, 1, 1, 2, 0.2),
    registry_report.Sizes(5, 60, 1, 1),
    growth.Sizes((600, 1_200), 20, 5, 1),
    1,
    postgresql=False,
)
SMALL = Plan(
    "small",
    pipeline.Sizes(100, 60, 20, 40),
    http_side.Sizes(200, 5, 20, 20, 5),
    registry_report.Sizes(50, 1_000, 3, 5),
    growth.Sizes((10_000, 50_000), 500, 40, 3),
    5,
)
WHOLE = Plan(
    "whole",
    pipeline.Sizes(300, 120, 100, 400),
    http_side.Sizes(500, 9, 60, 20, 20),
    registry_report.Sizes(100, 14_000, 3, 10),  # about a million resources
    growth.Sizes((10_000, 100_000, 1_000_000), 2_000, 40, 3),
    15,
)


def _sqlite(plan: Plan, folder: Path) -> Iterator[Measure]:
    with opened(SQLITE, lambda name: f"sqlite:///{folder}/{name}.sqlite3") as stores:
        yield from growth.measures(stores, plan.growth, folder)


def _postgresql(plan: Plan, folder: Path) -> Iterator[Measure]:
    if not plan.postgresql:
        return
    with (
        postgresql_server() as server,
        opened(POSTGRESQL, lambda _: fresh_database(server.get_uri())) as stores,
    ):
        yield from growth.measures(stores, plan.growth, folder)


PARTS: Mapping[str, Callable[[Plan, Path], Iterator[Measure]]] = {
    "pipeline": lambda plan, folder: pipeline.measures(folder, plan.pipeline),
    "command-line": lambda plan, folder: starting.measures(folder, plan.starts),
    "http": lambda plan, folder: http_side.measures(folder, plan.http),
    "sqlite": _sqlite,
    "postgresql": _postgresql,
    "registry": lambda plan, folder: registry_report.measures(folder, plan.registry),
}


def run(plan: Plan, into: Path, parts: Sequence[str] = tuple(PARTS)) -> Run:
    """Measure, and write JSON and drawing; of a run that is broken off, what it had found."""
    found = Run(plan.name)
    try:
        for name in parts:
            # A folder for each part: what one has left behind is not in the way of the next.
            with tempfile.TemporaryDirectory(prefix="closure-bench-") as folder:
                for one in PARTS[name](plan, Path(folder)):
                    found.measures.append(one)
                    print(f"{one.what} {one.engine}: {one.value:.2f} {one.unit}", file=sys.stderr, flush=True)
    finally:
        found.end()
        publishing.written(into, found)
    return found


def main() -> int:
    asked = argparse.ArgumentParser(prog="tests.bench", description=__doc__)
    asked.add_argument("parts", nargs="*", metavar="PART", help=f"only these of {', '.join(PARTS)}")
    asked.add_argument("--into", type=Path, default=Path("build/bench"), help="folder for bench.json and growth.svg")
    given = asked.parse_args()
    if unknown := set(given.parts) - set(PARTS):
        asked.error(f"there is no part {', '.join(sorted(unknown))}")
    found = run(SMALL if os.environ.get("SMALL") else WHOLE, given.into, given.parts or tuple(PARTS))
    print(publishing.table(found.as_json()))
    print(f"written: {given.into}/bench.json, {given.into}/growth.svg")
    return 0


if __name__ == "__main__":
    sys.exit(main())
