"""How long to wait before the same is sent again: exponential with full jitter, as long as it takes."""

import random
from collections.abc import Callable
from dataclasses import dataclass

LONGEST_WAIT_S = 900.0
_MOST_DOUBLINGS = 32


@dataclass(frozen=True, slots=True)
class Waits:
    """`first_s` is the mean of the second wait; `chance(low, high)` draws from between the two."""

    first_s: float = 1.0
    longest_s: float = LONGEST_WAIT_S
    chance: Callable[[float, float], float] = random.uniform

    def wait_s(self, attempts: int, after_s: float | None = None) -> float:
        """Seconds to wait after so many attempts in a row (1, 2, 3 ...) failed.

        Drawn evenly from 0 to first_s * 2^attempts, at most `longest_s`, so that senders that failed together do not
        come back together; never sooner than Retry-After asked for. Source: "Exponential Backoff And Jitter", AWS
        Architecture Blog 2015 (full jitter); from memory.
        """
        ceiling = min(self.longest_s, self.first_s * 2.0 ** min(attempts, _MOST_DOUBLINGS))
        drawn = self.chance(0.0, ceiling)
        return drawn if after_s is None else after_s + min(drawn, self.first_s)
