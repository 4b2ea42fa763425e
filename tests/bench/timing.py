"""Times of work, taken so that a busy machine spoils as little as possible: what is compared is run in turns."""

import gc
import statistics
import time
from collections.abc import Callable, Sequence

Work = Callable[[], object]


def once_s(work: Work) -> float:
    """Wall time of one run."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def cpu_s(work: Work) -> float:
    """Processor time of one run: for work that waits for nothing, and is not slower because others are busy."""
    start = time.thread_time()
    work()
    return time.thread_time() - start


def in_turns(works: Sequence[Work], rounds: int, each: int = 1) -> list[float]:
    """Median processor time of each work over so many rounds, in which each has its turn (the mean of `each` runs)."""
    taken: list[list[float]] = [[] for _ in works]
    for work in works:
        work()  # caches that last for the process are filled
    for _ in range(rounds):
        for times, work in zip(taken, works, strict=True):
            times.append(sum(cpu_s(work) for _ in range(each)) / each)
    return [statistics.median(times) for times in taken]


def share(times: Sequence[float], part: float) -> float:
    """The time within which a part of the runs ended: 0.5 the median, 0.99 the slow end."""
    ordered = sorted(times)
    return ordered[min(len(ordered) - 1, int(part * len(ordered)))]


def settled() -> None:
    """Before a series: garbage of earlier ones is collected, and what lives on is not looked at again and again."""
    gc.collect()
    gc.freeze()
