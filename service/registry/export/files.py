"""The files of one attempt at a job: written in chunks, readable by their owner alone, gone when it fails."""

import os
import shutil
from collections.abc import Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO, NamedTuple

_BUFFER = 1 << 16  # bytes a file; most of what is written at once is longer and passes it by
_WAITING = 1 << 24  # bytes that are left to the end at most, or to the next time
_AT_ONCE = 4  # files that are brought to the disk


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
    """The growing files of one attempt. A type with more than `largest` bytes goes on in a second file.

    `finish` or `discard` ends it.
    """

    def __init__(self, exports: Path, job_id: str, attempt: int, largest: int) -> None:
        self._folder = folder_of_job(exports, job_id)
        self._prefix = f"{attempt}-"
        self._largest = largest
        self._open: dict[str, BinaryIO] = {}
        self._full: list[BinaryIO] = []
        self._disk = _Disk()
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
        content = b"\n".join((*lines, b""))  # one copy of them; a line end added to it would be a second one
        self._open[label].write(content)
        self._disk.written(self._open[label], len(content))
        self._bytes[label] += len(content)
        self._counts[label, self._names[label]] += len(lines)

    def finish(self) -> list[Written]:
        """Everything on disk; the files in the order in which they were begun."""
        self._disk.settle(self._files)
        self._close()
        return [Written(name, label, count) for (label, name), count in self._counts.items()]

    def discard(self) -> None:
        """Take back what this attempt wrote."""
        self._close()
        for _, name in self._counts:
            (self._folder / name).unlink(missing_ok=True)
        with suppress(OSError):
            self._folder.rmdir()  # unless another attempt has files there

    @property
    def _files(self) -> list[BinaryIO]:
        return [*self._full, *self._open.values()]

    def _close(self) -> None:
        self._disk.end()  # before the files are closed that it works on
        for file in self._files:
            file.close()
        self._full.clear()
        self._open.clear()

    def _next(self, label: str) -> None:
        if label in self._open:
            self._full.append(self._open[label])
        number = sum(each == label for each, _ in self._counts) + 1
        name = f"{self._prefix}{label}{'' if number == 1 else f'.{number}'}.ndjson"
        path = self._folder / name
        path.touch(mode=0o600)
        self._open[label] = path.open("wb", buffering=_BUFFER)
        self._names[label], self._bytes[label] = name, 0
        self._counts[label, name] = 0


class _Disk:
    """Sends what was written to the disk beside the writer, so that little is left to wait for when all is written."""

    def __init__(self) -> None:
        self._threads = ThreadPoolExecutor(_AT_ONCE, thread_name_prefix="files-to-disk")
        self._under_way: Future[None] | None = None
        self._waiting = 0  # bytes

    def written(self, file: BinaryIO, size: int) -> None:
        """So many bytes more went into a file. OSError where the disk refused earlier ones."""
        self._waiting += size
        if self._waiting < _WAITING or (self._under_way and not self._under_way.done()):
            return
        self._checked()
        self._waiting = 0
        self._under_way = self._threads.submit(os.fsync, file.fileno())

    def settle(self, files: Iterable[BinaryIO]) -> None:
        """Return when all of the files are on disk. OSError where one is not."""
        self._checked()
        list(self._threads.map(_settled, files))  # at once: the disk writes its journal once for several

    def end(self) -> None:
        """Nothing works on a file any more."""
        self._threads.shutdown()

    def _checked(self) -> None:
        """The kernel tells of a failed write once only: it must not be lost with what was done beside."""
        if self._under_way:
            self._under_way.result()


def _settled(file: BinaryIO) -> None:
    file.flush()
    os.fsync(file.fileno())
