"""Times of work, taken so that a busy machine spoils as little as possible: what is compared is run in turns."""

import gc
import random
import statistics
import time
from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

Work = Callable[[], object]
BLOCKS = 20
RESAMPLES = 400


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


class Pairs(NamedTuple):
    """Times of two series of works, run one by one in turns: what disturbs the one disturbs the other too."""

    one: list[float]
    other: list[float]

    def ratio(self, part: float) -> float:
        """`other` to `one` at the time within which a part of the runs ended, over all runs together.

        Pooled, because a p99 within a short round is nearly its slowest run, and their median leaves out what is rare.
        """
        return share(self.other, part) / share(self.one, part)

    def interval(self, part: float, seed: int = 11) -> tuple[float, float]:
        """Where 95 % of such ratios lie when blocks of successive pairs are drawn again and again (bootstrap).

        Blocks, because a disturbance lasts for several runs.
        """
        chosen, size = random.Random(seed), max(1, len(self.one) // BLOCKS)
        blocks = [slice(start, start + size) for start in range(0, len(self.one), size)]
        ratios = []
        for _ in range(RESAMPLES):
            drawn = chosen.choices(blocks, k=len(blocks))
            ratios.append(Pairs(_joined(self.one, drawn), _joined(self.other, drawn)).ratio(part))
        return share(ratios, 0.025), share(ratios, 0.975)


class Compared(NamedTuple):
    """The same pairs in wall time, and in processor time of this thread: what waits for a processor is not in it."""

    wall: Pairs
    processor: Pairs


def compared(works: Iterable[tuple[Work, Work]]) -> Compared:
    """Run both works of each pair; who comes first changes from pair to pair."""
    found = Compared(Pairs([], []), Pairs([], []))
    for number, both in enumerate(works):
        for which in (0, 1) if number % 2 else (1, 0):
            start, busy = time.perf_counter(), time.thread_time()
            both[which]()
            found.processor[which].append(time.thread_time() - busy)
            found.wall[which].append(time.perf_counter() - start)
    return found


def _joined(times: Sequence[float], blocks: Sequence[slice]) -> list[float]:
    return [time for block in blocks for time in times[block]]


def share(times: Sequence[float], part: float) -> float:
    """The time within which a part of the runs ended: 0.5 the median, 0.99 the slow end."""
    ordered = sorted(times)
    return ordered[min(len(ordered) - 1, int(part * len(ordered)))]


def settled() -> None:
    """Before a series: garbage of earlier ones is collected, and what lives on is not looked at again and again."""
    gc.collect()
    gc.freeze()
