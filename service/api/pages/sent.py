"""What was sent of a course to charts, destination by destination: the newest rows of the outbox, in each state."""

from typing import NamedTuple

from sqlalchemy import select

from service.report.texts import _, later
from service.search.dates import instant
from service.store.courses import CourseReads
from service.store.delivery_tables import destinations, outbox
from service.store.outbox_rows import STATES

EACH = 5
WORDS = {
    "waiting": later("waiting"),
    "held": later("held: a person has to look"),
    "delivered": later("delivered"),
    "skipped": later("left out by a person"),
    "dropped": later("dropped with its destination"),
}
_d, _o = destinations.c, outbox.c


class Sent(NamedTuple):
    """One write of the course on its way to a destination; `refusal`: the other server's words."""

    destination: str
    state: str
    at: str
    refusal: str


def sent_of(unit: CourseReads, course_id: str, patient_id: str) -> list[Sent] | None:
    """The newest first; None where the site sends to nobody."""
    named = select(_d.name).where(_d.site == unit.site).order_by(_d.name)
    names = list(unit.connection.scalars(named))
    if not names:
        return None
    found = [row for name in names for state in STATES for row in _newest(unit, name, state, course_id, patient_id)]
    return sorted(found, key=lambda row: row.at, reverse=True)


def _newest(unit: CourseReads, name: str, state: str, course_id: str, patient_id: str) -> list[Sent]:
    """In the order of the index, so that it costs the same however much was sent."""
    columns = (_o.state, _o.queued_at, _o.settled_at, _o.refusal)
    mine = (_o.site == unit.site, _o.destination == name, _o.state == state, _o.patient == patient_id)
    wanted = select(*columns).where(*mine, _o.course_id == course_id).order_by(_o.number.desc()).limit(EACH)
    return [
        Sent(name, _(WORDS.get(row.state, row.state)), instant(row.settled_at or row.queued_at), row.refusal or "")
        for row in unit.connection.execute(wanted)
    ]
