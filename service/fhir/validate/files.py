"""Checking files: `.json` holds one resource or Bundle, `.ndjson` one resource a line, read a line at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from service.fhir import wire
from service.fhir.r4.issue import Issue
from service.fhir.validate import ProfileRules, check_bytes

MAX_FILE_BYTES = 256 * 1024 * 1024
Opinion = Callable[[Mapping[str, Any], bytes], list[Issue]]


def check_file(
    path: Path | str, profile_rules: ProfileRules | None = None, another: Opinion | None = None
) -> Iterator[tuple[str, list[Issue]]]:
    """Name and issues of each resource in the file; a line of ndjson is named `file:line`. Raises OSError.

    `another` is asked for a second opinion on what can be read at all.

    The memory used for ndjson is that of its longest line, and a line over the size limit is refused unread.
    """
    file = Path(path)
    if file.suffix == ".ndjson":
        yield from _check_lines(file, profile_rules, another)
        return
    size = file.stat().st_size
    if size > MAX_FILE_BYTES:
        yield str(file), [_too_long(size, MAX_FILE_BYTES)]
        return
    yield str(file), _issues(file.read_bytes(), profile_rules, another, MAX_FILE_BYTES)


def _issues(raw: bytes, rules: ProfileRules | None, another: Opinion | None, max_bytes: int) -> list[Issue]:
    found = check_bytes(raw, rules, max_bytes=max_bytes)
    if another is None:
        return found
    try:
        return found + another(wire.read(raw, max_bytes=max_bytes), raw)
    except wire.Unreadable:
        return found


def _check_lines(
    file: Path, profile_rules: ProfileRules | None, another: Opinion | None
) -> Iterator[tuple[str, list[Issue]]]:
    with file.open("rb") as lines:
        number = 0
        while line := lines.readline(wire.MAX_BYTES + 1):
            number += 1
            length = len(line)
            while not line.endswith(b"\n") and length > wire.MAX_BYTES and (rest := lines.readline(wire.MAX_BYTES)):
                length, line = length + len(rest), rest
            if length > wire.MAX_BYTES:
                yield f"{file}:{number}", [_too_long(length, wire.MAX_BYTES)]
            elif line.strip():
                yield f"{file}:{number}", _issues(line.rstrip(b"\r\n"), profile_rules, another, wire.MAX_BYTES)


def _too_long(length: int, limit: int) -> Issue:
    return Issue("error", "too-long", "", f"{length} bytes, more than the {limit} read at once", "bytes")
