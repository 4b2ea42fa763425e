"""Goal 7: an export by the service's own worker in a process of its own, and a plain copy of the files it wrote."""

import os
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

import orjson

from service.registry.export.asked import Asked
from service.registry.export.files import folder_of_job, remove_job
from service.registry.export.jobs import Asker, Exports, Finished
from service.registry.export.settings import ExportSettings
from service.search.parameters import parameters
from service.store.export_reading import open_export_database


class Copy(NamedTuple):
    """Seconds that a copy takes, and of them seconds of a processor."""

    wall_s: float
    processor_s: float


class Export(NamedTuple):
    """Medians of some rounds: export, copy, and copy that waits for the disk as an export does, in turns."""

    lines: int
    bytes: int
    export_s: float
    processor_s: float
    copy_s: float
    copy_processor_s: float
    durable_copy_s: float
    peak_mib: float


def exported(database_url: str, site: str, folder: Path, rounds: int) -> Export:
    """Everything of a site, as a client with every right would ask for it."""
    found = [_round(database_url, site, folder / "exports", durable_first=bool(turn % 2)) for turn in range(rounds)]
    return Export(*(statistics.median(values) for values in zip(*found, strict=True)))


def _round(database_url: str, site: str, exports: Path, *, durable_first: bool) -> Export:
    settings = ExportSettings(exports)
    asker = Asker("bench", site)
    database = open_export_database(database_url)
    try:
        verbs = Exports(database, settings)
        job_id = verbs.begin(asker, _everything(), datetime.now(UTC))
        told = _by_a_worker(database_url, exports)
        done = verbs.state(asker, job_id, datetime.now(UTC))
    finally:
        database.close()
    assert isinstance(done, Finished), "the worker wrote the files"
    files = [path for path in folder_of_job(exports, job_id).iterdir() if path.stat().st_size]
    _copied(
        files, exports / "copy", durable=False
    )  # not counted: a virtual machine gets its memory as it is first used
    taken = {
        durable: _copied(files, exports / "copy", durable=durable) for durable in (durable_first, not durable_first)
    }
    size = sum(path.stat().st_size for path in files)
    remove_job(exports, job_id)
    lines = sum(each["count"] for each in done.output)
    return Export(
        lines, size, told["wall_s"], told["processor_s"], *taken[False], taken[True].wall_s, told["peak_mib"]
    )  # fmt: skip


def _everything() -> Asked:
    return Asked("system", "http://127.0.0.1:8080/fhir/$export", None, tuple(parameters()), None, (), (), ())


def _by_a_worker(database_url: str, exports: Path) -> dict[str, Any]:
    own = {"DATABASE_URL": database_url, "CLOSURE_READINGS_EXPORT_FOLDER": str(exports)}
    worker = (sys.executable, "-m", "tests.bench.export_process")
    os.sync()
    ended = subprocess.run(worker, env=os.environ | own, stdout=subprocess.PIPE, check=True)
    told: dict[str, Any] = orjson.loads(ended.stdout)
    return told


def _copied(files: Sequence[Path], into: Path, *, durable: bool) -> Copy:
    """`durable`: until the copy is on disk, which is what an export waits for."""
    into.mkdir()
    os.sync()  # what was written before is not waited for here
    start, busy = time.perf_counter(), time.process_time()
    for path in files:
        with path.open("rb") as source, (into / path.name).open("wb") as target:
            shutil.copyfileobj(source, target, 1 << 20)
            target.flush()
            if durable:
                os.fsync(target.fileno())
    taken = Copy(time.perf_counter() - start, time.process_time() - busy)
    shutil.rmtree(into)
    return taken
