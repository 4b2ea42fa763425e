"""A real service in a process of its own, on a free loopback port."""

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import requests

START_WITHIN_S = 30


@dataclass(frozen=True)
class Live:
    """Where it answers, and its process."""

    base: str
    process: subprocess.Popen[bytes]


def free_port() -> int:
    """A loopback port that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def start_service(folder: Path, database_url: str | None = None, **settings: str) -> Live:
    """Start `closure-readings serve` and wait until it is healthy; its log lies in `folder`."""
    port = free_port()
    environment = os.environ | {"DATABASE_URL": database_url or f"sqlite:///{folder}/live.sqlite3"} | settings
    with (folder / "serve.log").open("ab") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "service", "serve", "--port", str(port)], env=environment, stdout=log, stderr=log
        )
    live = Live(f"http://127.0.0.1:{port}", process)
    for _ in range(START_WITHIN_S * 20):
        if process.poll() is not None:
            break
        try:
            if requests.get(f"{live.base}/health", timeout=1).ok:
                return live
        except requests.ConnectionError:
            pass
        time.sleep(0.05)
    process.kill()
    raise RuntimeError((folder / "serve.log").read_text("utf-8"))


@contextmanager
def live_service(folder: Path, **settings: str) -> Iterator[Live]:
    """A live service that ends with the block."""
    live = start_service(folder, **settings)
    try:
        yield live
    finally:
        live.process.terminate()
        live.process.wait(timeout=20)
