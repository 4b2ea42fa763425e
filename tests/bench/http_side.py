"""Goal 4 and what clients see: resources, pages and whole records over HTTP from a real `serve` process."""

import statistics
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import orjson

from service import strict_json
from tests.bench.client import Client, plain_service
from tests.bench.goals import Measure, reached
from tests.bench.load import load
from tests.bench.processes import peak_mib, processor_s, resident_mib
from tests.bench.readings import Ward
from tests.bench.timing import once_s
from tests.live import Live, live_service

_SETTINGS = {"CLOSURE_READINGS_REQUESTS_PER_MINUTE": "1000000"}


@dataclass(frozen=True)
class Sizes:
    """Requests of one series, series, checks of the course that is asked for, courses on the board, seconds of load."""

    requests: int
    series: int
    checks: int
    board: int
    load_s: float


def measures(folder: Path, sizes: Sizes) -> Iterator[Measure]:
    """Courses are charted over HTTP, then asked for in every way."""
    with _started(folder) as start:  # makes the tables too
        yield Measure("start of serve until it is healthy, new database", start.seconds, "s")
    starts = []
    for _ in range(sizes.series // 2):
        with _started(folder) as start:
            starts.append(start)
    with _started(folder) as start:
        starts.append(start)
        yield Measure("start of serve until it is healthy", statistics.median(each.seconds for each in starts), "s")
        yield Measure("memory of serve when it has started", statistics.median(each.mib for each in starts), "MiB")
        yield from _asked(start.live, folder, Ward("http"), sizes)
        own = start.live.process.pid
        yield Measure("memory of serve after load", resident_mib(own), "MiB", detail={"peak_mib": round(peak_mib(own))})


class _Start(NamedTuple):
    """A service that is healthy: seconds that it took, MiB that it holds."""

    live: Live
    seconds: float
    mib: float


@contextmanager
def _started(folder: Path) -> Iterator[_Start]:
    began = time.perf_counter()
    with live_service(folder, **_SETTINGS) as live:
        yield _Start(live, time.perf_counter() - began, resident_mib(live.process.pid))


def _asked(live: Live, folder: Path, ward: Ward, sizes: Sizes) -> Iterator[Measure]:
    with closing(Client(live.base)) as client:
        client.post("/intake/courses", strict_json.write(ward.document(0)))
        for number in range(sizes.checks):
            client.post("/intake/courses/http/entries", strict_json.write(ward.check(number)))
        for number in range(1, sizes.board):
            client.post("/intake/courses", strict_json.write(Ward(f"board-{number}").document(1)))
        yield from _reads(client, live.process.pid, folder, sizes)
        yield from _pages(client, sizes)
        yield from load(live.base, sizes.load_s)


def _reads(client: Client, process: int, folder: Path, sizes: Sizes) -> Iterator[Measure]:
    bundle = orjson.loads(client.get("/fhir/Observation?_count=1"))
    id_ = bundle["entry"][0]["resource"]["id"]
    path = f"/fhir/Observation/{id_}"
    with plain_service(folder, client.get(path)) as plain, closing(Client(plain.base)) as other:
        asked = (_Asked(client, path, process), _Asked(other, "/ping", plain.process))
        stored, ping, model = _in_turns((*asked, _Asked(other, "/model", plain.process)), sizes)
    counts: dict[str, Any] = {"stored_a_second": round(stored.a_second), "ping_a_second": round(ping.a_second)}
    yield reached("4a", stored.a_second / ping.a_second, **_in_processor_time(ping, stored), **counts)
    model_a_second = round(model.a_second)
    in_processor_time = _in_processor_time(model, stored)
    yield reached("4b", stored.a_second / model.a_second, model_a_second=model_a_second, **in_processor_time)


class _Asked(NamedTuple):
    """Who asks for what, and the process that answers."""

    client: Client
    path: str
    process: int


class _Answered(NamedTuple):
    """Requests a second, the median of some series; seconds of a processor that the server took for all of them."""

    a_second: float
    processor_s: float


def _in_turns(asked: Sequence[_Asked], sizes: Sizes) -> list[_Answered]:
    """The series in turns, one client waiting for each answer."""
    taken: list[list[float]] = [[] for _ in asked]
    busy = [0.0] * len(asked)
    for _ in range(sizes.series):
        for which, each in enumerate(asked):
            before, start = processor_s(each.process), time.perf_counter()
            for _ in range(sizes.requests):
                each.client.get(each.path)
            taken[which].append(sizes.requests / (time.perf_counter() - start))
            busy[which] += processor_s(each.process) - before
    return [_Answered(statistics.median(times), seconds) for times, seconds in zip(taken, busy, strict=True)]


def _in_processor_time(baseline: _Answered, stored: _Answered) -> dict[str, Any]:
    """The same ratio by what the servers took: the client is not in it. Nothing where that cannot be told (10 ms)."""
    return {"processor_x": round(baseline.processor_s / stored.processor_s, 3)} if stored.processor_s > 0 else {}


def _pages(client: Client, sizes: Sizes) -> Iterator[Measure]:
    view = orjson.loads(client.get("/intake/courses/http"))
    patient = view["links"]["patient"].rpartition("/fhir")[2]
    found = len(orjson.loads(client.get("/fhir/Observation?_count=1000"))["entry"])
    asked = {
        f"search page of {found:,}": "/fhir/Observation?_count=1000",
        f"$everything of a course of {sizes.checks} checks": f"/fhir{patient}/$everything?_count=1000",
        f"course view of {sizes.checks} checks, JSON": "/intake/courses/http",
        f"course page of {sizes.checks} checks, HTML": "/ward/courses/http",
        f"board of {sizes.board} courses, HTML": "/ward",
    }
    for words, path in asked.items():
        size = len(client.get(path))
        taken = statistics.median(once_s(partial(client.get, path)) for _ in range(max(3, sizes.series)))
        yield Measure(words, taken * 1000, "ms", detail={"bytes": size})
