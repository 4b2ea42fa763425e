"""What is to be reached, as ratios within one run; and what a run found."""

from dataclasses import dataclass, field
from typing import Any, NamedTuple


class Goal(NamedTuple):
    """A bound on a ratio: `at_most` or at least."""

    number: str  # of the goal, with a letter where it has several parts
    words: str
    bound: float
    at_most: bool = True

    def met_by(self, value: float) -> bool:
        return value <= self.bound if self.at_most else value >= self.bound


GOALS = {
    goal.number: goal
    for goal in (
        Goal("1a", "mapping / orjson.dumps of its Bundle", 6),
        Goal("1b", "straightforward mapping / mapping", 100, at_most=False),
        Goal("2a", "validation / orjson.dumps of the Bundle", 20),
        Goal("2b", "fhir.resources parsing the Bundle / validation", 15, at_most=False),
        Goal("3a", "check to durable commit, p50 / orjson.dumps of its Bundle", 45),
        Goal("3b", "straightforward pipeline / check to durable commit", 45, at_most=False),
        Goal("3c", "check to durable commit, p99 / p50", 4),
        Goal("3d", "check to durable commit after the longest course / in a young one", 1.5),
        Goal("4a", "stored resources a second / plain bytes a second from the same framework", 0.6, at_most=False),
        Goal("4b", "stored resources a second / those through a response model", 7, at_most=False),
        Goal("5", "search p99, largest store / smallest", 1.5),
        Goal("6", "ingest rate, largest store / empty", 0.3, at_most=False),
        Goal("7", "NDJSON export / plain copy of the same bytes", 0.15, at_most=False),
        Goal("8", "registry report / DuckDB reading the same NDJSON", 3),
        Goal("9", "course file to Bundle by command line / bare interpreter start", 6),
        Goal("10", "late entry before 60 checks of 35 bands / one check", 60),
    )
}


@dataclass(slots=True)
class Measure:
    """One figure of a run. With a goal it is a ratio; without one it has a unit of its own."""

    what: str
    value: float
    unit: str = "x"
    goal: str | None = None
    engine: str = ""
    detail: dict[str, Any] = field(default_factory=dict)

    @property
    def met(self) -> bool | None:
        """Whether the goal was reached; None without a goal."""
        return None if self.goal is None else GOALS[self.goal].met_by(self.value)


def reached(number: str, value: float, engine: str = "", **detail: Any) -> Measure:
    """A figure that is held against a goal."""
    return Measure(GOALS[number].words, value, "x", number, engine, detail)
