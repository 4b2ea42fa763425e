"""Processes that chart and deliver, forked from one that has imported everything: a killed one is replaced at once.

Each is a process of its own with its own connections, and its log lies in a `serve.log`, which the log scan reads.
"""

import multiprocessing
import os
import sys
from collections.abc import Callable
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

import service.commands.delivering
from service.commands.delivering import deliver
from service.fhir.validate import is_valid
from service.terminology import load
from tests.delivery.charting import chart

load()  # kept by the process that is forked, with the tables of the validator
is_valid({"resourceType": "Patient"})
_CONTEXT = multiprocessing.get_context("forkserver")
_CONTEXT.set_forkserver_preload([__name__])


def charting(url: str, folder: Path, count: int) -> BaseProcess:
    """A process that charts so many courses."""
    return _started(_chart, url, folder, count)


def delivering(url: str, folder: Path, timeout_s: float) -> BaseProcess:
    """A process that delivers until it is ended."""
    return _started(_deliver, url, folder, timeout_s)


def _started(work: Callable[..., None], url: str, folder: Path, *given: Any) -> BaseProcess:
    process = _CONTEXT.Process(target=work, args=(url, folder, *given))
    process.start()
    return process


def _chart(url: str, folder: Path, count: int) -> None:
    _settle_in(url, folder)
    chart(count)


def _deliver(url: str, folder: Path, timeout_s: float) -> None:
    _settle_in(url, folder)
    service.commands.delivering.complete = _as_stored  # drawings are the business of test_preparing.py
    deliver(False, timeout_s, 0.01, 0.1, True)


def _as_stored(_workflow: Any, _unit: Any, resource: Any) -> Any:
    return resource


def _settle_in(url: str, folder: Path) -> None:
    """The environment of a process started by hand. Nothing waits for the disk: what dies here is a process."""
    os.environ |= {"DATABASE_URL": url, "CLOSURE_READINGS_SYNCHRONOUS": "OFF"}
    log = os.open(folder / "serve.log", os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    for stream in (sys.stdout, sys.stderr):
        os.dup2(log, stream.fileno())
