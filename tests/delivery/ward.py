"""An invented ward that charts small courses, and its service as a sender: what the tests of delivery stand on."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

from service.config import Settings
from service.delivery.destination import Destination, row_values
from service.delivery.running import Delivering
from service.delivery.waiting import Waits
from service.store.access import AccessDatabase, open_access_database
from service.store.destination_rows import DestinationRow, insert_destination
from service.store.outbox_rows import OutboxRow, Standing, list_rows, queue_everything, standings
from service.terminology.tables import folder_of_tables
from service.workflow import Workflow, open_workflow
from tests.intake.documents import UTC_NOW, check, course_file, installation

SITE = "demo"
NAME = "ward-record"
PATIENTS = "https://alder-bay.example/mrn"
FIRST = datetime.fromisoformat("2026-03-02T12:00:00+01:00")


def patient_of(number: int) -> str:
    """Every tenth course is the second of the patient before."""
    return f"AB-{number - 1 if number % 10 == 9 else number}"


def small_course(number: int) -> dict[str, Any]:
    """One band, one gap, one check."""
    bands = [{"band": 1, "station_mm": 40, "rest_mark_mm": 10, "mark_mm": Decimal("17.0"), "tail_mm": 80}]
    first = installation(bands=bands, gaps=[{"station_mm": 80, "gap_mm": 58}])
    who = {"identifier": {"system": PATIENTS, "value": patient_of(number)}}
    return course_file(first, small_check(1), course_id=f"alder-{number}", patient=who)


def small_check(number: int, gap_mm: str = "50.5") -> dict[str, Any]:
    at = (FIRST + timedelta(hours=number)).isoformat()
    gaps = [{"station_mm": 80, "gap_mm": Decimal(gap_mm)}]
    return check(f"ch-{number}", at, gaps=gaps, bands=[{"band": 1, "mark_mm": Decimal("15.5")}])


@dataclass
class Clock:
    """A clock that stands still until it is moved."""

    now: datetime = UTC_NOW
    runs: bool = False

    def __call__(self) -> datetime:
        return datetime.now(UTC) if self.runs else self.now

    def move(self, seconds: float) -> None:
        self.now += timedelta(seconds=seconds)


@dataclass
class Ward:
    """A workflow, its destination and what sends to it."""

    workflow: Workflow
    database: AccessDatabase
    clock: Clock
    delivering: Delivering

    def record(self, *numbers: int) -> None:
        for number in numbers:
            self.workflow.record_course(small_course(number), self.clock())

    def add(self, number: int, *entries: Any) -> None:
        self.workflow.record_entries(f"alder-{number}", list(entries), self.clock())

    def destination(self, url: str, backfill: bool = False, name: str = NAME, **settings: Any) -> None:
        wanted = Destination(SITE, name, url, **settings)
        with self.workflow.store.write(SITE, self.clock()) as unit:
            insert_destination(unit.connection, DestinationRow(added_at=0, **row_values(wanted)))
            if backfill:
                queue_everything(unit, name)

    def rows(self, *states: str) -> list[OutboxRow]:
        wanted = states or ("waiting", "held", "delivered", "skipped", "dropped")
        with self.database.read() as connection:
            return list_rows(connection, SITE, states=wanted, limit=100_000)[::-1]

    def standing(self, name: str = NAME) -> Standing:
        with self.database.read() as connection:
            (found,) = [each for each in standings(connection, SITE) if each.destination == name]
        return found


@contextmanager
def open_ward(database_url: str, timeout_s: float = 5.0, chance: Any = lambda low, high: high) -> Iterator[Ward]:
    """A ward on a database, with a clock that stands still and waits that are the longest they can be."""
    workflow = open_workflow(Settings(database_url=database_url))
    database = open_access_database(database_url)
    clock = Clock()
    delivering = Delivering(
        workflow.store, database, lambda _key: workflow.site, folder_of_tables(), clock, Waits(1.0, 900.0, chance),
        timeout_s,
    )  # fmt: skip
    try:
        yield Ward(workflow, database, clock, delivering)
    finally:
        database.close()
        workflow.close()
