"""What is to be reached, as ratios within one run; and what a run found."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

_NOTHING: Mapping[str, str] = {}


class Goal(NamedTuple):
    """A bound on a ratio: `at_most` or at least. The texts are the document's."""

    number: str  # of the goal, with a letter where it has several parts
    words: str
    bound: float
    limit: str  # what limits it next
    physical: str  # what could not be had for less
    at_most: bool = True
    beside: Mapping[str, str] = _NOTHING  # details that the document shows beside the ratio, with its words for them

    def met_by(self, value: float) -> bool:
        """Whether a ratio reaches it."""
        return value <= self.bound if self.at_most else value >= self.bound


GOALS = {
    goal.number: goal
    for goal in (
        Goal(
            "1a",
            "mapping / orjson.dumps of its Bundle",
            6,
            "dicts and sentences of 53 resources, SHA-1 of their ids; what a course repeats is made once",
            "orjson itself: 1",
        ),
        Goal("1b", "straightforward mapping / mapping", 100, "the same", "the same", at_most=False),
        Goal(
            "2a",
            "validation / orjson.dumps of the Bundle",
            20,
            "each nested element is one function call",
            "one look at each element, as orjson takes: 1",
        ),
        Goal("2b", "fhir.resources parsing the Bundle / validation", 15, "the same", "the same", at_most=False),
        Goal(
            "3a",
            "check to durable commit, p50 / orjson.dumps of its Bundle",
            45,
            "a fifth the rows themselves; search values, projection and validation; the view of the course",
            "one write to the disk that is waited for",
            beside={"processor_x": "of it processor", "us": "us"},
        ),
        Goal(
            "3b",
            "straightforward pipeline / check to durable commit",
            45,
            "both wait for the same disk: the goal leaves some 16 x, a bare commit of the rows takes 10",
            "the same",
            at_most=False,
        ),
        Goal("3c", "check to durable commit, p99 / p50", 4, "garbage collection", "the disk's own p99"),
        Goal(
            "3d",
            "check to durable commit after the longest course / in a young one",
            1.5,
            "resources that speak of the whole course",
            "1",
            beside={"checks": "checks"},
        ),
        Goal(
            "4a",
            "stored resources a second / plain bytes a second from the same framework",
            0.6,
            "the record of the access and the line of the log: 1.2 plain answers together, where the goal leaves 0.67 "
            "for all; then the layers around a route, two look-ups",
            "the framework's own bytes: 1",
            at_most=False,
            beside={
                "processor_x": "in processor time of the servers",
                "stored_a_second": "stored a second",
                "ping_a_second": "plain a second",
            },
        ),
        Goal(
            "4b",
            "stored resources a second / those through a response model",
            7,
            "plain bytes themselves are only 5 to 7 x a response model with this server",
            "the framework's own bytes",
            at_most=False,
            beside={"processor_x": "in processor time of the servers"},
        ),
        Goal(
            "5",
            "search p99, largest store / smallest",
            1.5,
            "pages that are in no cache; on a busy machine its other work decides a p99",
            "one walk along an index: 1",
            beside={"interval": "95 % interval"},
        ),
        Goal(
            "6",
            "ingest rate, largest store / empty",
            0.3,
            "index pages that are in no cache",
            "one page of each index read and written: 1",
            at_most=False,
        ),
        Goal(
            "7a",
            "NDJSON export, bytes a second / plain copy of the same bytes",
            0.15,
            "SQLite: reading the rows; PostgreSQL: the server reading, unpacking and sending bodies, two thirds of it",
            "a file copy: 1",
            at_most=False,
            beside={
                "processor_x": "in processor time",
                "durable_copy_x": "of a copy that waits for the disk as the export does",
            },
        ),
        Goal(
            "7b",
            "peak memory of an export, largest store / smallest",
            1.2,
            "500 rows of the type with the longest bodies, once",
            "1",
            beside={"peak_mib": "MiB"},
        ),
        Goal(
            "8",
            "registry report / DuckDB reading the same NDJSON",
            3,
            "one core where the read uses both: the commit of the tables, the page, small inserts",
            "DuckDB's own read: 1",
            beside={
                "resources": "resources",
                "read_s": "s of reading",
                "report_from_tables_x": "of it from the tables on",
            },
        ),
        Goal(
            "9",
            "course file to Bundle by command line / bare interpreter start",
            6,
            "orjson and msgspec 4.0, the standard library 1.5, the clinic and the mapping 1.5, the work itself 1.5",
            "the interpreter and the import of the libraries",
        ),
        Goal(
            "10",
            "late entry before 60 checks of 35 bands / one check",
            60,
            "every resource of the course is built and compared",
            "the work of one check for each: 60",
        ),
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
