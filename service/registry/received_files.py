"""NDJSON as it comes from sites: every line validated, what is refused told with its reason, the rest kept.

A file of one type without a fault is read where it lies; of another, clean copies are made, one for each type. Lines
are checked in chunks, by as many processes as the caller allows, so that memory stays flat in the size of the file.
"""

import gzip
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import ExitStack, nullcontext
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import IO, NamedTuple

import orjson

from service.fhir import wire
from service.fhir.r4.issue import Issue
from service.fhir.validate import check_bytes, is_valid

CHUNK_LINES = 4000
CLIENT_LOG = "log.ndjson"
_ISSUES_SHOWN = 5


class Reject(NamedTuple):
    """A line that was refused, and why."""

    file: str
    line: int
    reasons: list[str]


@dataclass(slots=True)
class CheckedFile:
    """A file with what was found in it; `places` says where the sound lines of each type are to be read."""

    folder: Path
    types: Counter[str] = field(default_factory=Counter)
    rejects: list[Reject] = field(default_factory=list)
    places: dict[str, Path] = field(default_factory=dict)


class _Verdict(NamedTuple):
    lines: int
    types: Counter[str]
    refused: list[tuple[int, list[str]]]


def ndjson_files(folder: Path) -> list[Path]:
    """The NDJSON files below a folder, plain or gzipped, in the order of their names.

    Hidden ones are passed over (half of a fetch lies in such a folder), and so is the log of events that clients of
    bulk exports keep beside what they fetched.
    """
    found = [*folder.rglob("*.ndjson"), *folder.rglob("*.ndjson.gz")]
    return sorted(path for path in found if path.name != CLIENT_LOG and not _is_hidden(path.relative_to(folder)))


def _is_hidden(path: Path) -> bool:
    return any(part.startswith(".") for part in path.parts)


def check_files(folders: Iterable[Path], clean_folder: Path, processes: int = 1) -> Iterator[CheckedFile]:
    """Each file below the folders, checked line by line. Raises OSError for what cannot be read."""
    with ProcessPoolExecutor(processes) if processes > 1 else nullcontext() as workers:
        for folder in folders:
            for path in ndjson_files(folder):
                yield _check(path, folder, clean_folder, workers)


def _check(path: Path, folder: Path, clean_folder: Path, workers: ProcessPoolExecutor | None) -> CheckedFile:
    found = CheckedFile(folder)
    first = 1
    with _opened(path) as lines:
        for verdict in _verdicts(_chunks(lines), workers):
            found.types += verdict.types
            found.rejects += [Reject(str(path), first + at, reasons) for at, reasons in verdict.refused]
            first += verdict.lines
    if found.rejects or len(found.types) > 1:
        found.places = _by_type(path, {reject.line for reject in found.rejects}, clean_folder, found.types)
    else:
        found.places = dict.fromkeys(found.types, path)
    return found


def _opened(path: Path) -> IO[bytes]:
    return gzip.open(path, "rb") if path.suffix == ".gz" else path.open("rb")  # type: ignore[return-value]  # a GzipFile is read like any other


def _chunks(lines: IO[bytes]) -> Iterator[list[bytes]]:
    while chunk := list(islice(lines, CHUNK_LINES)):
        yield chunk


def _verdicts(chunks: Iterator[list[bytes]], workers: ProcessPoolExecutor | None) -> Iterator[_Verdict]:
    """The verdicts in the order of the chunks; a few chunks are under way at a time, never a whole file."""
    if workers is None:
        yield from map(_verdict, chunks)
        return
    under_way: deque[Future[_Verdict]] = deque()
    for chunk in chunks:
        under_way.append(workers.submit(_verdict, chunk))
        if len(under_way) > 4:
            yield under_way.popleft().result()
    yield from (future.result() for future in under_way)


def _verdict(lines: list[bytes]) -> _Verdict:
    types: Counter[str] = Counter()
    refused = []
    for at, line in enumerate(lines):
        if not line.strip():
            continue
        kind, reasons = _judged(line.rstrip(b"\r\n"))
        if reasons:
            refused.append((at, reasons))
        else:
            types[kind] += 1
    return _Verdict(len(lines), types, refused)


def _judged(line: bytes) -> tuple[str, list[str]]:
    """The type of a sound resource, or the reasons against it."""
    try:
        resource = wire.read(line)
    except wire.Unreadable as refusal:
        return "", _told(refusal.issues)
    if not is_valid(resource):
        return "", _told(check_bytes(line))
    kind = resource["resourceType"]
    return kind, [] if resource.get("id") else [f"{kind}: a resource without an id cannot be merged"]


def _told(issues: Iterable[Issue]) -> list[str]:
    """What is wrong, in words and by place. The values stay out: a reject file may travel."""
    faults = [f"{issue.expression}: {issue.code}" for issue in issues if issue.severity == "error"]
    return faults[:_ISSUES_SHOWN] or ["not valid"]


def _by_type(path: Path, refused: set[int], folder: Path, types: Iterable[str]) -> dict[str, Path]:
    """The lines of a file without the refused ones, a file for each type."""
    made = len(list(folder.iterdir()))
    places = {kind: folder / f"{made + at}.ndjson" for at, kind in enumerate(types)}
    with _opened(path) as lines, ExitStack() as open_files:
        copies = {kind: open_files.enter_context(place.open("wb")) for kind, place in places.items()}
        for number, line in enumerate(lines, start=1):
            if number not in refused and line.strip():
                copies[orjson.loads(line)["resourceType"]].write(line.rstrip(b"\r\n") + b"\n")
    return places


def told_to(write: Callable[[bytes], object], rejects: Iterable[Reject]) -> int:
    """Write rejects as NDJSON; returns how many."""
    count = 0
    for reject in rejects:
        write(wire.write(reject._asdict()) + b"\n")
        count += 1
    return count
