"""Eight clients that read while two chart: what each of them waits."""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from functools import partial
from itertools import count

from service import strict_json
from tests.bench.client import Client
from tests.bench.goals import Measure
from tests.bench.readings import Ward
from tests.bench.timing import once_s, share

READERS, WRITERS = 8, 2
Turn = Callable[[int], object]


def load(base: str, seconds: float) -> Iterator[Measure]:
    """All of them for some seconds, each on a connection of its own, waiting for each answer."""
    reads: list[float] = []
    writes: list[float] = []
    until = time.perf_counter() + seconds
    _together(
        [
            *(partial(_read, base, until, reads) for _ in range(READERS)),
            *(partial(_chart, base, until, writes, number) for number in range(WRITERS)),
        ]
    )
    for words, times in (
        (f"{READERS} readers beside {WRITERS} writers: a read, p50", reads),
        (f"{WRITERS} writers beside {READERS} readers: a check, p50", writes),
    ):
        detail = {"p99_ms": round(share(times, 0.99) * 1000, 1), "a_second": round(len(times) / seconds, 1)}
        yield Measure(words, share(times, 0.5) * 1000, "ms", detail=detail)


def _read(base: str, until: float, times: list[float]) -> None:
    with closing(Client(base)) as client:
        _again(until, times, lambda _: client.get("/fhir/Observation?_count=20"))


def _chart(base: str, until: float, times: list[float], number: int) -> None:
    ward = Ward(f"load-{number}")
    path = f"/intake/courses/{ward.course_id}/entries"
    with closing(Client(base)) as client:
        client.post("/intake/courses", strict_json.write(ward.document(0)))
        _again(until, times, lambda turn: client.post(path, strict_json.write(ward.check(turn))))


def _again(until: float, times: list[float], work: Turn) -> None:
    for turn in count():
        times.append(once_s(partial(work, turn)))
        if time.perf_counter() > until:
            return


def _together(works: list[Callable[[], None]]) -> None:
    """Run each in a thread; the first fault of any is raised when all have ended."""
    faults: list[Exception] = []

    def run(work: Callable[[], None]) -> None:
        try:
            work()
        except Exception as fault:  # told by the thread that waits for it
            faults.append(fault)

    threads = [threading.Thread(target=run, args=(work,)) for work in works]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if faults:
        raise faults[0]
