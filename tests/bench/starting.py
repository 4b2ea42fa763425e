"""Goal 9: how soon the command line has done its work, against a bare start of the interpreter.

With modules compiled, as after an installation; the first start of each, which compiles them, is not counted.
"""

import os
import resource
import statistics
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from service import strict_json
from tests.bench.goals import Measure, reached
from tests.bench.readings import Ward

_BARE = (sys.executable, "-c", "pass")


def measures(folder: Path, rounds: int) -> Iterator[Measure]:
    """Processor time of whole processes, in turns."""
    (folder / "course.json").write_bytes(strict_json.write(Ward("one").document(1)))
    works = (
        _BARE,
        (sys.executable, "-m", "service", "map", str(folder / "course.json")),
        (sys.executable, "-m", "service", "--help"),
        (sys.executable, "-c", "import service.cli"),
        (sys.executable, "-c", "import orjson, msgspec"),
        (sys.executable, "-c", "import service.clinic.course"),
        (sys.executable, "-c", "import service.commands.mapping"),
    )
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    environment["PYTHONPYCACHEPREFIX"] = str(folder / "compiled")
    bare, mapped, helped, imported, libraries, clinic, mapping = _in_turns(works, environment, rounds)
    detail: dict[str, Any] = {
        "bare_ms": round(bare * 1000, 1),
        "map_ms": round(mapped * 1000, 1),
        "import_of_the_command_line_x": round(imported / bare, 1),
        "import_of_the_libraries_x": round(libraries / bare, 1),
        "import_of_the_clinic_x": round(clinic / bare, 1),
        "import_of_what_maps_x": round(mapping / bare, 1),
    }
    yield reached("9", mapped / bare, **detail)
    yield Measure("command line, --help / bare interpreter start", helped / bare)


def _in_turns(works: Sequence[Sequence[str]], environment: dict[str, str], rounds: int) -> list[float]:
    taken: list[list[float]] = [[] for _ in works]
    for turn in range(rounds + 1):
        for times, work in zip(taken, works, strict=True):
            seconds = _processor_s(work, environment)
            if turn:
                times.append(seconds)
    return [statistics.median(times) for times in taken]


def _processor_s(work: Sequence[str], environment: dict[str, str]) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(work, env=environment, stdout=subprocess.DEVNULL, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
