"""Goal 4 and what clients see: resources, pages and whole records over HTTP from a real `serve` process."""

import os
import socket
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import orjson

from service import strict_json
from tests.bench.goals import Measure, reached
from tests.bench.readings import Ward
from tests.bench.timing import share
from tests.live import Live, free_port, live_service

_READ = 1 << 20


@dataclass(frozen=True)
class Sizes:
    """Requests of one series, series, checks of the course that is asked for, seconds of mixed load."""

    requests: int
    series: int
    checks: int
    load_s: float


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


@contextmanager
def plain_service(folder: Path, body: bytes) -> Iterator[str]:
    """The framework alone, in a process of its own."""
    (folder / "body.json").write_bytes(body)
    port = free_port()
    process = subprocess.Popen(
        [sys.executable, "-m", "uvicorn", "tests.bench.plain_app:app", "--port", str(port), "--no-access-log"],
        env=os.environ | {"BENCH_BODY": str(folder / "body.json")},
        stderr=subprocess.DEVNULL,
    )
    try:
        yield _when_it_listens(port, process)
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


def measures(folder: Path, sizes: Sizes) -> Iterator[Measure]:
    """A course is charted over HTTP, then asked for in every way."""
    ward = Ward("http")
    settings = {"CLOSURE_READINGS_REQUESTS_PER_MINUTE": "1000000"}
    started = time.perf_counter()
    with live_service(folder, **settings) as live:
        yield Measure("start of serve until it is healthy", time.perf_counter() - started, "s")
        yield from _asked(live, folder, ward, sizes)


def _asked(live: Live, folder: Path, ward: Ward, sizes: Sizes) -> Iterator[Measure]:
    with closing(Client(live.base)) as client:
        client.post("/intake/courses", strict_json.write(ward.document(0)))
        for number in range(sizes.checks):
            client.post("/intake/courses/http/entries", strict_json.write(ward.check(number)))
        yield from _reads(client, folder, sizes)
        yield from _pages(client, ward, sizes)
        yield from _load(live.base, ward, sizes)
        yield Measure("memory of the process after all of it", _resident_mib(live.process.pid), "MiB")


def _reads(client: Client, folder: Path, sizes: Sizes) -> Iterator[Measure]:
    bundle = orjson.loads(client.get("/fhir/Observation?_count=1"))
    id_ = bundle["entry"][0]["resource"]["id"]
    path = f"/fhir/Observation/{id_}"
    with plain_service(folder, client.get(path)) as base, closing(Client(base)) as other:
        asked = [(client, path), (other, "/ping"), (other, "/model")]
        stored, ping, model = _in_turns(asked, sizes)
    yield reached("4a", stored / ping, stored_a_second=round(stored), ping_a_second=round(ping))
    yield reached("4b", stored / model, model_a_second=round(model))


def _in_turns(asked: Sequence[tuple[Client, str]], sizes: Sizes) -> list[float]:
    """Requests a second of each, the series in turns, one client waiting for each answer."""
    taken: list[list[float]] = [[] for _ in asked]
    for _ in range(sizes.series):
        for times, (client, path) in zip(taken, asked, strict=True):
            start = time.perf_counter()
            for _ in range(sizes.requests):
                client.get(path)
            times.append(sizes.requests / (time.perf_counter() - start))
    return [statistics.median(times) for times in taken]


def _pages(client: Client, ward: Ward, sizes: Sizes) -> Iterator[Measure]:
    view = orjson.loads(client.get("/intake/courses/http"))
    patient = view["links"]["patient"].rpartition("/fhir")[2]
    asked = {
        "search page of 1,000": "/fhir/Observation?_count=1000",
        f"$everything of a course of {sizes.checks} checks": f"/fhir{patient}/$everything?_count=1000",
        f"course view of {sizes.checks} checks": "/intake/courses/http",
    }
    for words, path in asked.items():
        times, size = [], 0
        for _ in range(max(3, sizes.series)):
            start = time.perf_counter()
            size = len(client.get(path))
            times.append(time.perf_counter() - start)
        yield Measure(words, statistics.median(times) * 1000, "ms", detail={"bytes": size})


def _load(base: str, ward: Ward, sizes: Sizes) -> Iterator[Measure]:
    """Eight clients that read and two that chart, for some seconds."""
    until = time.perf_counter() + sizes.load_s
    reads: list[float] = []
    writes: list[float] = []
    faults: list[Exception] = []

    def work(times: list[float], number: int, charting: bool) -> None:
        client, own, turn = Client(base), Ward(f"load-{number}"), 0
        try:
            if charting:
                client.post("/intake/courses", strict_json.write(own.document(0)))
            while not turn or time.perf_counter() < until:
                start = time.perf_counter()
                if charting:
                    client.post(f"/intake/courses/load-{number}/entries", strict_json.write(own.check(turn)))
                else:
                    client.get("/fhir/Observation?_count=20")
                times.append(time.perf_counter() - start)
                turn += 1
        except Exception as fault:  # told by the thread that waits for it
            faults.append(fault)
        finally:
            client.close()

    kinds = [(reads, n, False) for n in range(8)] + [(writes, n, True) for n in range(8, 10)]
    threads = [threading.Thread(target=work, args=kind) for kind in kinds]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if faults:
        raise faults[0]
    for words, times in (
        ("8 readers beside 2 writers: a read", reads),
        ("2 writers beside 8 readers: a check", writes),
    ):
        detail = {"p99_ms": round(share(times, 0.99) * 1000, 1), "a_second": round(len(times) / sizes.load_s, 1)}
        yield Measure(f"{words}, p50", share(times, 0.5) * 1000, "ms", detail=detail)


def _resident_mib(process: int) -> float:
    for line in Path(f"/proc/{process}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    return 0.0
