"""The files of one attempt at a job: written in chunks, readable by their owner alone, gone when it fails."""

import os
import shutil
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO, NamedTuple

_BUFFER = 1 << 16  # bytes a file; most of what is written at once is longer and passes it by


class Written(NamedTuple):
    """A finished file: name within the job's folder, resource type, lines."""

    file: str
    type: str
    lines: int


def folder_of_job(exports: Path, job_id: str) -> Path:
    """Where the files of a job lie; its id is made here and has no character that leads elsewhere."""
    return exports / job_id


def remove_job(exports: Path, job_id: str) -> None:
    """Take its files away. A download that has begun goes on: the open file stays until it is closed."""
    shutil.rmtree(folder_of_job(exports, job_id), ignore_errors=True)


class Output:
    """The growing files of one attempt. A type with more than `largest` bytes goes on in a second file."""

    def __init__(self, exports: Path, job_id: str, attempt: int, largest: int) -> None:
        self._folder = folder_of_job(exports, job_id)
        self._prefix = f"{attempt}-"
        self._largest = largest
        self._open: dict[str, BinaryIO] = {}
        self._names: dict[str, str] = {}
        self._bytes: dict[str, int] = {}
        self._counts: dict[tuple[str, str], int] = {}
        for folder in (exports, self._folder):
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)

    def write(self, label: str, lines: Sequence[bytes]) -> None:
        """Append lines to the files of a label, which is a resource type or `error` or `deleted`."""
        if not lines:
            return
        if self._bytes.get(label, self._largest) >= self._largest:
            self._next(label)
        content = b"\n".join(lines) + b"\n"
        self._open[label].write(content)
        self._bytes[label] += len(content)
        self._counts[label, self._names[label]] += len(lines)

    def finish(self) -> list[Written]:
        """Everything on disk; the files in the order in which they were begun."""
        for file in self._open.values():
            self._close(file)
        self._open.clear()
        return [Written(name, label, count) for (label, name), count in self._counts.items()]

    def discard(self) -> None:
        """Take back what this attempt wrote."""
        for file in self._open.values():
            file.close()
        for _, name in self._counts:
            (self._folder / name).unlink(missing_ok=True)
        with suppress(OSError):
            self._folder.rmdir()  # unless another attempt has files there

    def _next(self, label: str) -> None:
        if label in self._open:
            self._close(self._open[label])
        number = sum(each == label for each, _ in self._counts) + 1
        name = f"{self._prefix}{label}{'' if number == 1 else f'.{number}'}.ndjson"
        path = self._folder / name
        path.touch(mode=0o600)
        self._open[label] = path.open("wb", buffering=_BUFFER)
        self._names[label], self._bytes[label] = name, 0
        self._counts[label, name] = 0

    @staticmethod
    def _close(file: BinaryIO) -> None:
        file.flush()
        os.fsync(file.fileno())
        file.close()
