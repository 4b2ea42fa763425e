"""Casting drawn courses into NDJSON, one folder a site and one file a resource type, as a site exports them."""

from collections.abc import Iterator
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO

import numpy as np
from numpy.random import Generator, SeedSequence, default_rng

from service.projection import Site
from service.registry.simulation.assumptions import Assumptions
from service.registry.simulation.courses import DrawnCourse, Visit, courses_of_site, site_habits
from service.registry.simulation.molds import OPEN, Molds, cast, make_molds

__all__ = ["simulate"]

_BEGINS = datetime(2022, 1, 1, 8, tzinfo=UTC)
_TYPES = ("Patient", "CarePlan", "Condition", "Procedure", "Observation", "Flag")
_UPDATED = b"2026-01-01T00:00:00.000Z"
_RESET_AFTER = timedelta(minutes=20)
_LOW, _HIGH = 1.5, 2.0  # of the default policy, which the sample course is projected with
Values = dict[bytes, bytes]


def simulate(
    site: Site, out: Path, sites: int, courses: int, seed: int, assumptions: Assumptions | None = None
) -> dict[str, int]:
    """Write `courses` over `sites` folders below `out`; returns how many resources of each type were written.

    The same seed gives the same bytes. `site` lends its tables and policy; it must have the key of the sample course.
    """
    molds, assumed = make_molds(site), assumptions or Assumptions()
    written = dict.fromkeys(_TYPES, 0)
    sizes, *by_site = SeedSequence(seed).spawn(sites + 1)
    shares = _courses_of_sites(default_rng(sizes), sites, courses, assumed)
    for number, (seeds, share) in enumerate(zip(by_site, shares, strict=True)):
        generator = default_rng(seeds)
        habits = site_habits(generator, assumed)
        with _Files(out / site_key(number)) as files:
            for at, course in enumerate(courses_of_site(generator, habits, share, assumed)):
                for kind, line in _Casting(molds, number, at, course).lines():
                    files.write(kind, line)
                    written[kind] += 1
    return written


def _courses_of_sites(generator: Generator, sites: int, courses: int, assumptions: Assumptions) -> list[int]:
    """How many courses each site has: log-normal weights, whole numbers that add up."""
    weights = np.exp(generator.normal(0, assumptions.site_size_sd, sites))
    ends = np.round(np.cumsum(weights) / weights.sum() * courses).astype(int)
    return [int(share) for share in np.diff(ends, prepend=0)]


def site_key(number: int) -> str:
    """Key of a simulated site."""
    return f"simulated-{number + 1:03d}"


class _Files:
    """The files of one site, opened when first written to."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder, self._open, self._files = folder, ExitStack(), dict[str, IO[bytes]]()

    def __enter__(self) -> "_Files":
        return self

    def __exit__(self, *fault: object) -> None:
        self._open.close()

    def write(self, kind: str, line: bytes) -> None:
        if kind not in self._files:
            self._files[kind] = self._open.enter_context((self._folder / f"{kind}.ndjson").open("wb"))
        self._files[kind].write(line)


class _Casting:
    """Casts the resources of one course."""

    def __init__(self, molds: Molds, site: int, number: int, course: DrawnCourse) -> None:
        self._molds, self._course = molds, course
        self._begins = _BEGINS + timedelta(days=course.starts)
        self._entry = 0
        self._values: Values = {
            b"site": site_key(site).encode(),
            b"name": f"course-{number + 1}".encode(),
            b"course": f"{site:03x}{number:05x}".encode(),
            b"born": f"{course.born_year}-01-01".encode(),
            b"updated": _UPDATED,
            b"opened": self._at(-2 / 24),
            b"ended": self._at(course.days),
            b"removed": self._at(course.days - 1 / 24),
            b"entry": b"0000",
            b"band": b"001",
        }

    def _at(self, day: float) -> bytes:
        return (self._begins + timedelta(days=day)).isoformat(timespec="seconds").encode()

    def lines(self) -> Iterator[tuple[str, bytes]]:
        """Type and line of each resource."""
        molds, values, result = self._molds, self._values, self._course.result
        yield "Patient", cast(molds.patient, values)
        yield "CarePlan", cast(molds.plans[result], values)
        yield "Condition", cast(molds.wounds[result], values)
        values[b"at"] = self._at(0)
        yield "Procedure", cast(molds.application, values)
        yield from self._readings("in", self._course.gap, self._course.first_stretch)
        for visit in self._course.visits:
            yield from self._visit(visit)
        if result != OPEN:
            yield from self._end(result)

    def _next_entry(self) -> None:
        self._entry += 1
        self._values[b"entry"] = b"%04x" % self._entry

    def _readings(self, visit: str, gap: float | None, stretch: tuple[float, ...]) -> Iterator[tuple[str, bytes]]:
        if gap is not None:
            yield "Observation", cast(self._molds.gaps[visit], {**self._values, b"gap": b"%.1f" % gap})
        for number, ratio in enumerate(stretch, start=1):
            told = {b"ratio": b"%.2f" % ratio, b"mark": b"%.1f" % (ratio * 10)}
            told |= {b"number": b"%d" % number, b"band": b"%03x" % number}
            yield "Observation", cast(self._molds.bands[visit, _range(ratio)], {**self._values, **told})

    def _visit(self, visit: Visit) -> Iterator[tuple[str, bytes]]:
        self._next_entry()
        self._values[b"at"] = self._at(visit.day)
        yield "Observation", cast(self._molds.check, self._values)
        yield from self._readings("ch", visit.gap, visit.before)
        yield from self._skin_and_flags(visit)
        self._next_entry()
        reset_at = self._begins + timedelta(days=visit.day) + _RESET_AFTER
        self._values[b"at"] = reset_at.isoformat(timespec="seconds").encode()
        yield "Procedure", cast(self._molds.reset, self._values)
        yield from self._readings("re", None, visit.after)

    def _skin_and_flags(self, visit: Visit) -> Iterator[tuple[str, bytes]]:
        """What was drawn for the course is charted at its first check; later checks find the skin intact."""
        first = visit is self._course.visits[0]
        for finding in (self._course.findings if first else ()) or ("intact",):
            yield "Observation", cast(self._molds.skin[finding], self._values)
        for flag in self._course.flags if first else ():
            if flag != "count-mismatch":
                yield "Flag", cast(self._molds.flags[flag], self._values)

    def _end(self, result: str) -> Iterator[tuple[str, bytes]]:
        self._next_entry()
        yield "Procedure", cast(self._molds.removal, self._values)
        if "count-mismatch" in self._course.flags:
            yield "Flag", cast(self._molds.flags["count-mismatch"], {**self._values, b"at": self._values[b"removed"]})
        self._next_entry()
        yield "Observation", cast(self._molds.outcomes[result], self._values)


def _range(ratio: float) -> str:
    if ratio < _LOW:
        return "below"
    return "above" if ratio > _HIGH else "in"
