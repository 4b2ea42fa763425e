"""A real service in a process of its own, on a free loopback port."""

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import requests

START_WITHIN_S = 30
PROGRAM = (sys.executable, "-m", "service")
Ended = subprocess.CompletedProcess[str]


@dataclass(frozen=True)
class Live:
    """Where it answers, and its process."""

    base: str
    process: subprocess.Popen[bytes]

    @property
    def fhir(self) -> str:
        """The base of its FHIR API."""
        return f"{self.base}/fhir"


def free_port() -> int:
    """A loopback port that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def command(folder: Path, *arguments: str, database_url: str | None = None, **settings: str) -> Ended:
    """Run `closure-readings ARGUMENTS` on the database of the folder to its end."""
    return subprocess.run(
        [*PROGRAM, *arguments],
        env=environment_of(folder, database_url, settings),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def environment_of(folder: Path, database_url: str | None, settings: Mapping[str, str]) -> dict[str, str]:
    """The environment of a process that works on the database of the folder, or on another."""
    return os.environ | {"DATABASE_URL": database_url or f"sqlite:///{folder}/live.sqlite3"} | dict(settings)


def add_client(folder: Path, keys: str, scope: str, site: str = "demo", **named: str) -> str:
    """Register a client by the command line; its id."""
    added = command(folder, "clients", "add", "A system", "--site", site, "--jwks", keys, "--scope", scope, **named)
    assert added.returncode == 0, added.stderr
    return added.stdout.strip()


def start_service(folder: Path, database_url: str | None = None, options: Sequence[str] = (), **settings: str) -> Live:
    """Start `closure-readings serve` and wait until it is healthy; its log lies in `folder`."""
    port = free_port()
    environment = environment_of(folder, database_url, settings)
    with (folder / "serve.log").open("ab") as log:
        process = subprocess.Popen(
            [*PROGRAM, "serve", "--port", str(port), *options], env=environment, stdout=log, stderr=log
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
def live_service(
    folder: Path, database_url: str | None = None, options: Sequence[str] = (), **settings: str
) -> Iterator[Live]:
    """A live service that ends with the block."""
    live = start_service(folder, database_url, options, **settings)
    try:
        yield live
    finally:
        live.process.terminate()
        live.process.wait(timeout=20)
