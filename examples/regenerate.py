"""Writes what is made from the course files of the examples: the Bundles, and the CSV pair of the backfill.

    python examples/regenerate.py            writes every golden file anew
    python examples/regenerate.py --check    names those that are stale; exit code 1 if there are any

The clock of each Bundle stands one hour after the last entry of its course file, so that it never changes and what is
due in an open course reads as it would at the bedside.
"""

import argparse
import importlib.util
import json
import sys
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from types import ModuleType
from typing import Any

EXAMPLES = Path(__file__).parent
sys.path.insert(0, str(EXAMPLES.parent))

from service import strict_json  # noqa: E402 - runs from a checkout without being installed
from service.config import Settings  # noqa: E402 - as above
from service.intake.csv_writing import write_csv_pair  # noqa: E402 - as above
from service.projection import map_course_file, open_site  # noqa: E402 - as above

SETTINGS = Settings(site="demo")
AFTER_LAST_ENTRY = timedelta(hours=1)
SAMPLE_COURSES = 5
BACKFILL = EXAMPLES / "09-backfill"


def course_paths() -> list[Path]:
    """Every course file of the examples."""
    return sorted(EXAMPLES.glob("[0-9][0-9]-*/course*.json"))


def bundle_path(course: Path) -> Path:
    """course.json has bundle.json, course-2.json has bundle-2.json."""
    return course.with_name(course.name.replace("course", "bundle", 1))


def clock_of(document: bytes) -> datetime:
    """One hour after the last entry."""
    return max(datetime.fromisoformat(entry["at"]) for entry in json.loads(document)["entries"]) + AFTER_LAST_ENTRY


def bundle_of(document: bytes) -> bytes:
    """The Bundle of a course file, as `closure-readings map` gives it for the site `demo`."""
    return map_course_file(document, open_site(SETTINGS), clock_of(document), SETTINGS.fhir_base)


def generator() -> ModuleType:
    """The generator of the backfill; its folder is numbered and cannot be imported by name."""
    found = importlib.util.spec_from_file_location("generate", BACKFILL / "generate.py")
    assert found is not None
    assert found.loader is not None
    module = importlib.util.module_from_spec(found)
    sys.modules["generate"] = module
    found.loader.exec_module(module)
    return module


def sample() -> tuple[str, str]:
    """The CSV pair of the five generated courses with the fewest entries."""
    courses: list[Any] = sorted(generator().course_files(200, seed=1), key=lambda sent: len(sent["entries"]))
    return write_csv_pair(strict_json.read(json.dumps(sent).encode()) for sent in courses[:SAMPLE_COURSES])


def golden_csv() -> Iterator[tuple[Path, bytes]]:
    """Path and content of the CSV pair."""
    for name, text in zip(("sample-courses.csv", "sample-readings.csv"), sample(), strict=True):
        yield BACKFILL / name, text.encode()


def resource_a_line(bundle: bytes) -> bytes:
    """The same Bundle with each of its entries on a line of its own, so that a change shows where it is."""
    members = strict_json.read(bundle, largest=len(bundle))
    rows = b",\n".join(strict_json.write(entry) for entry in members.pop("entry"))
    return strict_json.write(members).removesuffix(b"}") + b',"entry":[\n' + rows + b"\n]}\n"


def golden_bundles() -> Iterator[tuple[Path, bytes]]:
    """Path and content of every Bundle."""
    for course in course_paths():
        yield bundle_path(course), resource_a_line(bundle_of(course.read_bytes()))


def stale(path: Path, content: bytes) -> bool:
    """Whether the file is not there or holds something else."""
    return not path.exists() or path.read_bytes() != content


def main() -> int:
    arguments = argparse.ArgumentParser(description="Write or check the golden files of the examples.")
    arguments.add_argument("--check", action="store_true", help="write nothing, name the stale files")
    check = arguments.parse_args().check
    golden = [*golden_csv(), *golden_bundles()]
    found = [(path, content) for path, content in golden if stale(path, content)]
    for path, content in found:
        print(f"{'stale' if check else 'written'}: {path.relative_to(EXAMPLES)}")
        if not check:
            path.write_bytes(content)
    return 1 if check and found else 0


if __name__ == "__main__":
    raise SystemExit(main())
