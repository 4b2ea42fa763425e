"""One run: what it found, where, when, and how busy the machine was."""

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from tests.bench.goals import GOALS, Measure
from tests.bench.machine import load, machine, versions

Found = dict[str, Any]


@dataclass
class Run:
    """A run that goes on until `end`."""

    size: str
    measures: list[Measure] = field(default_factory=list)
    began_at: datetime = field(default_factory=lambda: datetime.now(UTC))
    ended_at: datetime | None = None
    load_at_start: list[float] = field(default_factory=load)
    load_at_end: list[float] = field(default_factory=list)

    def end(self) -> None:
        """The last figure was found."""
        self.ended_at, self.load_at_end = datetime.now(UTC), load()

    def as_json(self) -> Found:
        """Every goal, measured or not, and every other figure."""
        return {
            "size": self.size,
            "began_at": self.began_at.isoformat(timespec="seconds"),
            "ended_at": self.ended_at and self.ended_at.isoformat(timespec="seconds"),
            "machine": machine(),
            "versions": versions() | self._engines(),
            "load": {"at_start": self.load_at_start, "at_end": self.load_at_end},
            "goals": [self._goal(number) for number in GOALS],
            "figures": [
                {"what": one.what, "value": round(one.value, 3), "unit": one.unit, "detail": one.detail}
                for one in self.measures
                if one.goal is None
            ],
        }

    def _engines(self) -> dict[str, str]:
        return {one.engine.lower(): one.detail["version"] for one in self.measures if "version" in one.detail}

    def _goal(self, number: str) -> Found:
        goal = GOALS[number]
        return {
            "goal": number,
            "words": goal.words,
            "bound": goal.bound,
            "at_most": goal.at_most,
            "measured": [
                {"engine": one.engine, "ratio": round(one.value, 3), "met": one.met, "detail": one.detail}
                for one in self.measures
                if one.goal == number
            ],
        }
