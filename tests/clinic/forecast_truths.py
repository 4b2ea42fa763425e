"""Simulated closures for the forecast's coverage: four truths, each with its own law, swelling, ruler and rebound.

Assumptions of the project (check values 9.2): 5 checks 12 h apart, reading error 2 mm, swelling noise of 3 mm with a
memory of one day, a rebound of 10 to 25 mm with chance 0 or 0.5. Ours, too: width 63 +/- 20 mm as in Barnes 2018 (cut
to 35 to 110 mm); three paces of undisturbed closure to 10 mm, within the 2 to 30 days of published series (Barnes
2018: 2 to 8, mean 3.9; others 5 to 10, 7.9 +/- 3.3, 9.5 +/- 3.3). A rebound comes at a random time between the first
and the last check and closes by the same law as the rest. What is to be foretold is the first time after the last
check at which the gap itself, swelling included, is down to the closable one.
"""

from dataclasses import dataclass

import numpy as np

CLOSABLE_MM = 10.0
CHECKS, APART_D = 5, 0.5
ERROR_MM, SWELLING_MM, MEMORY_D = 2.0, 3.0, 1.0
STEP_D = 0.02
LAST_D = (CHECKS - 1) * APART_D
PACES_D = {"2.3 to 5 days": (2.3, 5.0), "2.5 to 8 days": (2.5, 8.0), "3 to 12 days": (3.0, 12.0)}
TRUTHS = [("linear", 0.0), ("linear", 0.5), ("slowing", 0.0), ("slowing", 0.5)]


@dataclass(frozen=True)
class Simulated:
    """One course: readings of its checks, and when after the last one it became closable."""

    days: list[float]
    gaps_mm: list[float]
    closable_after_d: float  # inf when not within 60 days


def simulate(law: str, rebound_chance: float, pace: str, rng: np.random.Generator) -> Simulated | None:
    """One course of a truth; None when it is closable by its last reading already: nothing is to be foretold."""
    width = float(np.clip(rng.normal(63, 20), 35, 110))
    takes = rng.uniform(*PACES_D[pace])
    jump_at = rng.uniform(0, LAST_D) if rng.random() < rebound_chance else np.inf
    jump = rng.uniform(10, 25)
    t = np.arange(0, 60, STEP_D)
    after_jump = np.where(t >= jump_at, t - jump_at, 0)
    if law == "linear":
        gap = width - (width - CLOSABLE_MM) / takes * t + jump * (t >= jump_at)
    else:
        decay = np.log(width / CLOSABLE_MM) / takes
        gap = width * np.exp(-decay * t) + jump * np.exp(-decay * after_jump) * (t >= jump_at)
    gap = gap + _swelling(len(t), rng)
    seen = np.rint(np.arange(CHECKS) * APART_D / STEP_D).astype(int)
    readings = np.maximum(0, np.rint(gap[seen] + rng.normal(0, ERROR_MM, CHECKS)))
    there = np.flatnonzero(gap[seen[-1] :] <= CLOSABLE_MM)
    if readings[-1] <= CLOSABLE_MM or (len(there) and there[0] == 0):
        return None
    after = float(there[0]) * STEP_D if len(there) else np.inf
    return Simulated([float(d) for d in t[seen]], [float(g) for g in readings], after)


def _swelling(n: int, rng: np.random.Generator) -> "np.ndarray[tuple[int], np.dtype[np.float64]]":
    keep = np.exp(-STEP_D / MEMORY_D)
    noise = rng.normal(0, SWELLING_MM, n)
    noise[1:] *= np.sqrt(1 - keep**2)
    level, out = 0.0, np.empty(n)
    for i, step in enumerate(noise):
        level = keep * level + step if i else step
        out[i] = level
    return out


def many(law: str, rebound_chance: float, pace: str, count: int, seed: int) -> list[Simulated]:
    """So many courses of a truth with something to foretell, the same for the same seed."""
    rng = np.random.default_rng(seed)
    found: list[Simulated] = []
    while len(found) < count:
        course = simulate(law, rebound_chance, pace, rng)
        if course is not None:
            found.append(course)
    return found
