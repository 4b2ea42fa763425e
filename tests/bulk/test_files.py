"""The files of an export are on disk when it says that it is done, and it never says so where the disk refused."""

import os
import threading

import pytest

from service.registry.export import files
from service.registry.export.files import Output

LINES = [b'{"a":1}', b'{"b":2}']


@pytest.fixture
def output(tmp_path):
    made = Output(tmp_path, "job", 1, largest=20)
    yield made
    made.discard()


def test_every_file_is_on_disk_when_all_are_finished_and_none_is_left_open(output, tmp_path, monkeypatch):
    fsync, on_disk = os.fsync, {}

    def noting(number):
        fsync(number)
        on_disk[os.fstat(number).st_ino] = os.fstat(number).st_size

    monkeypatch.setattr(os, "fsync", noting)
    for label in ("Patient", "Task", "Patient", "Patient"):
        output.write(label, LINES)
    written = output.finish()
    assert [(each.file, each.lines) for each in written] == [
        ("1-Patient.ndjson", 4), ("1-Task.ndjson", 2), ("1-Patient.2.ndjson", 2),
    ]  # fmt: skip
    paths = [tmp_path / "job" / each.file for each in written]
    assert {path.stat().st_ino: path.stat().st_size for path in paths} == on_disk
    assert paths[0].read_bytes() == b'{"a":1}\n{"b":2}\n' * 2
    open_now = {os.path.realpath(f"/proc/self/fd/{number}") for number in os.listdir("/proc/self/fd")}
    assert not open_now & {str(path.resolve()) for path in paths}


def test_what_is_written_goes_to_the_disk_before_the_end(output, monkeypatch):
    sent = threading.Event()
    monkeypatch.setattr(files, "_WAITING", 10)
    monkeypatch.setattr(os, "fsync", lambda _: sent.set())
    output.write("Patient", LINES)
    assert sent.wait(10)


@pytest.mark.parametrize("writes", [1, 5])
def test_a_disk_that_refuses_while_lines_are_still_written_is_told_at_the_latest_at_the_end(
    writes, output, tmp_path, monkeypatch
):
    told = []

    def refusing_once(number):
        if not told:  # as the kernel does: of a failed write it tells once
            told.append(number)
            raise OSError("the disk is full")

    monkeypatch.setattr(files, "_WAITING", 1)
    monkeypatch.setattr(os, "fsync", refusing_once)

    def everything():
        for _ in range(writes):
            output.write("Patient", LINES)
        output.finish()

    with pytest.raises(OSError, match="the disk is full"):
        everything()
    output.discard()
    assert not (tmp_path / "job").exists()


def test_a_disk_that_refuses_at_the_end_is_told(output, tmp_path, monkeypatch):
    def refusing(_):
        raise OSError("the disk is full")

    output.write("Patient", LINES)
    output.write("Task", LINES)
    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", refusing)
        with pytest.raises(OSError, match="the disk is full"):
            output.finish()
    output.discard()
    assert not (tmp_path / "job").exists()
