"""What waits for the hospital's servers and what is held there, to be read; a person decides at the command line."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from shlex import quote
from typing import NamedTuple

from service.report.texts import _
from service.search.dates import instant
from service.store.outbox_rows import HELD, WAITING, OutboxRow, Standing, list_rows, standings
from service.workflow import Workflow

MOST = 500  # writes that are looked at, the newest
PROGRAM = "closure-readings deliveries"


class Receiver(NamedTuple):
    """A server that the site sends to: what waits for it, since when the oldest, what is held there."""

    name: str
    waiting: int
    oldest_at: str | None
    held: int
    courses_held: int
    paused: bool
    fault: str

    @property
    def state(self) -> str:
        """How it stands, in words."""
        if self.paused:
            return _("paused by a person")
        return _("does not answer as it should") if self.fault else _("sending")


class Delivery(NamedTuple):
    """The writes of one course that wait for a destination or are held there together; `refusal`: the server's words.

    `number`: of the newest write, by which a person names all of them. `behind`: later writes that wait until what is
    held is decided.
    """

    destination: str
    course_id: str
    number: int
    writes: int
    since: str
    refusal: str
    behind: int = 0


@dataclass(frozen=True, slots=True)
class Deliveries:
    """All of it. `cut`: there are more writes than are told here."""

    receivers: list[Receiver]
    held: list[Delivery]
    waiting: list[Delivery]
    cut: bool
    site: str

    def command(self, what: str, delivery: Delivery) -> str:
        """What an operator types."""
        return f'{PROGRAM} {what} {delivery.number} --site {quote(self.site)} --reason "{_("why")}"'

    @property
    def course_ids(self) -> list[str]:
        """Every course that is named."""
        return sorted({one.course_id for one in (*self.held, *self.waiting)})


def read_deliveries(workflow: Workflow) -> Deliveries:
    """What waits and what is held of a site as of now."""
    site = workflow.site.key
    with workflow.store.read(site) as unit:
        counted = [_receiver(one) for one in standings(unit.connection, site)]
        held, waiting = (list_rows(unit.connection, site, states=[state], limit=MOST) for state in (HELD, WAITING))
    stopped = {(row.destination, row.course_id) for row in held}
    behind = Counter((row.destination, row.course_id) for row in waiting)
    free = [row for row in waiting if (row.destination, row.course_id) not in stopped]
    told = [one._replace(behind=behind[one.destination, one.course_id]) for one in _together(held)]
    return Deliveries(counted, told, _together(free), max(len(held), len(waiting)) == MOST, site)


def read_standing(workflow: Workflow) -> tuple[int, int] | None:
    """How many courses are held and how many writes wait; None where the site sends to nobody."""
    with workflow.store.read(workflow.site.key) as unit:
        found = standings(unit.connection, workflow.site.key)
    return (sum(one.courses_held for one in found), sum(one.waiting for one in found)) if found else None


def _receiver(one: Standing) -> Receiver:
    oldest_at = None if one.oldest_at is None else instant(one.oldest_at)
    return Receiver(one.destination, one.waiting, oldest_at, one.held, one.courses_held, one.paused, one.fault or "")


def _together(rows: Iterable[OutboxRow]) -> list[Delivery]:
    """Destination by destination and course by course, what waited longest first."""
    ordered = sorted(rows, key=lambda row: (row.destination, row.course_id, -row.number))
    found = [_delivery(list(some)) for _key, some in groupby(ordered, key=lambda row: (row.destination, row.course_id))]
    return sorted(found, key=lambda one: (one.since, one.course_id))


def _delivery(rows: list[OutboxRow]) -> Delivery:
    newest = rows[0]
    since = instant(min(row.queued_at for row in rows))
    return Delivery(newest.destination, newest.course_id, newest.number, len(rows), since, newest.refusal or "")
