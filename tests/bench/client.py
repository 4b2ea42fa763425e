"""A client that does little itself, and the framework alone to ask beside the service."""

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple
from urllib.parse import urlsplit

from tests.live import free_port

_READ = 1 << 20


class Client:
    """One connection that is kept open; as little of its own work as can be."""

    def __init__(self, base: str) -> None:
        parts = urlsplit(base)
        self._host = parts.netloc
        self._socket = socket.create_connection((parts.hostname or "", parts.port or 80), timeout=60)

    def get(self, path: str) -> bytes:
        return self._answer(f"GET {path} HTTP/1.1\r\nHost: {self._host}\r\n\r\n".encode())

    def post(self, path: str, body: bytes) -> bytes:
        head = f"POST {path} HTTP/1.1\r\nHost: {self._host}\r\nContent-Type: application/json\r\n"
        return self._answer(f"{head}Content-Length: {len(body)}\r\n\r\n".encode() + body)

    def _answer(self, request: bytes) -> bytes:
        self._socket.sendall(request)
        received = b""
        while b"\r\n\r\n" not in received:
            received += self._more()
        head, _, body = received.partition(b"\r\n\r\n")
        if head.split(b" ", 2)[1][:1] != b"2":
            raise RuntimeError((head + b"\n" + body).decode(errors="replace"))
        lines = head.lower().split(b"\r\n")
        length = next(int(line.split(b":")[1]) for line in lines if line.startswith(b"content-length"))
        parts = [body]
        while sum(map(len, parts)) < length:
            parts.append(self._more())
        return b"".join(parts)

    def _more(self) -> bytes:
        some = self._socket.recv(_READ)
        if not some:
            raise RuntimeError("the connection was closed")
        return some

    def close(self) -> None:
        self._socket.close()


class Plain(NamedTuple):
    """Where the framework alone answers, and its process."""

    base: str
    process: int


@contextmanager
def plain_service(folder: Path, body: bytes) -> Iterator[Plain]:
    """The framework alone, in a process of its own."""
    (folder / "body.json").write_bytes(body)
    port = free_port()
    process = subprocess.Popen(
        [sys.executable, "-m", "uvicorn", "tests.bench.plain_app:app", "--port", str(port), "--no-access-log"],
        env=os.environ | {"BENCH_BODY": str(folder / "body.json")},
        stderr=subprocess.DEVNULL,
    )
    try:
        yield Plain(_when_it_listens(port, process), process.pid)
    finally:
        process.terminate()
        process.wait(timeout=20)


def _when_it_listens(port: int, process: subprocess.Popen[bytes]) -> str:
    for _ in range(600):
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
            return f"http://127.0.0.1:{port}"
        except OSError:
            if process.poll() is not None:
                raise
            time.sleep(0.05)
    raise RuntimeError("the plain application does not start")
