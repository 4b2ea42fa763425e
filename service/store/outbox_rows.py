"""The outbox: what was written and is to go to other servers. Rows are added within the write that they speak of."""

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

import orjson
from sqlalchemy import Connection, bindparam, case, func, insert, literal, select, update
from sqlalchemy.dialects.postgresql import insert as insert_postgresql
from sqlalchemy.dialects.sqlite import insert as insert_sqlite

from service.search.dates import microseconds
from service.store.delivery_tables import delivery_queues, destinations, outbox
from service.store.statements import Statement
from service.store.tables import courses
from service.store.writing import WriteUnit

WAITING, HELD, DELIVERED, SKIPPED, DROPPED = "waiting", "held", "delivered", "skipped", "dropped"
STATES = (WAITING, HELD, DELIVERED, SKIPPED, DROPPED)
Key = tuple[str, str]  # type, id

_d, _o, _q = destinations.c, outbox.c, delivery_queues.c
_NAMES = Statement(select(_d.name).where(_d.site == bindparam("site")).order_by(_d.name))
_LAST = select(func.coalesce(func.max(_o.number), 0))


class OutboxRow(NamedTuple):
    """A write that is to go to a destination. `written` is JSON, None for everything of the course."""

    number: int
    destination: str
    patient: str
    course_id: str
    written: str | None
    state: str
    queued_at: int
    settled_at: int | None
    refusal: str | None

    @property
    def keys(self) -> list[Key] | None:
        """Type and id of each resource that was written; None for all of the course."""
        if self.written is None:
            return None
        found: list[list[str]] = orjson.loads(self.written)
        return [(type_, id_) for type_, id_ in found]


class Standing(NamedTuple):
    """What a destination waits for: rows, since when the oldest waits (microseconds), rows and courses held."""

    site: str
    destination: str
    waiting: int
    oldest_at: int | None
    held: int
    courses_held: int
    failures: int
    paused: bool
    fault: str


_ROWS = select(*(_o[name] for name in OutboxRow._fields))


def queue_written(unit: WriteUnit, course_id: str, patient: str, written: Sequence[Key]) -> None:
    """Note for each destination of the site, in the same commit, what a write of a course changed."""
    names = [name for (name,) in _NAMES.rows(unit.connection, {"site": unit.site})] if written else []
    if not names:
        return
    keys = orjson.dumps(written).decode()
    last, at = _last_number(unit), microseconds(unit.now)
    rows = [
        {
            "site": unit.site,
            "number": number,
            "destination": name,
            "patient": patient,
            "course_id": course_id,
            "written": keys,
            "state": WAITING,
            "queued_at": at,
        }
        for number, name in enumerate(names, last + 1)
    ]
    unit.connection.execute(insert(outbox), rows)
    for name in names:
        _wake(unit.connection, unit.site, name, patient, at)


def queue_everything(unit: WriteUnit, destination: str) -> int:
    """Let every course of the site, as it stands, wait for one destination; returns how many courses."""
    at, last = microseconds(unit.now), _last_number(unit)
    found = unit.connection.execute(
        select(courses.c.course_id, courses.c.patient_id)
        .where(courses.c.site == unit.site)
        .order_by(courses.c.received_at, courses.c.course_id)
    ).all()
    rows = [
        {
            "site": unit.site,
            "number": number,
            "destination": destination,
            "patient": patient,
            "course_id": course_id,
            "written": None,
            "state": WAITING,
            "queued_at": at,
        }
        for number, (course_id, patient) in enumerate(found, last + 1)
    ]
    if rows:
        unit.connection.execute(insert(outbox), rows)
    for patient in dict.fromkeys(patient for _, patient in found):
        _wake(unit.connection, unit.site, destination, patient, at)
    return len(rows)


def waiting_of(connection: Connection, site: str, destination: str, patient: str) -> list[OutboxRow]:
    """The waiting rows of the course whose turn it is: that of the oldest row, held courses left out."""
    mine = (_o.site == site, _o.destination == destination, _o.patient == patient)
    found = connection.execute(_ROWS.where(*mine, _o.state.in_((WAITING, HELD))).order_by(_o.number)).all()
    rows = [OutboxRow(*row) for row in found]
    held = {row.course_id for row in rows if row.state == HELD}
    free = [row for row in rows if row.course_id not in held]
    return [row for row in free if row.course_id == free[0].course_id]


def settle(
    connection: Connection, site: str, numbers: Iterable[int], state: str, at: int, refusal: str | None = None
) -> None:
    """Say what became of waiting rows; of a delivered one the list of resources is not kept."""
    values: dict[str, Any] = {"state": state, "settled_at": at, "refusal": refusal}
    if state == DELIVERED:
        values["written"] = "[]"
    mine = (_o.site == site, _o.number.in_(list(numbers)), _o.state == WAITING)
    connection.execute(update(outbox).where(*mine).values(values))


def release_held(connection: Connection, site: str, destination: str, course_id: str, state: str, at: int) -> int:
    """Let the held rows of a course wait again, or settle them otherwise; wakes the queue. How many rows it was."""
    mine = (_o.site == site, _o.destination == destination, _o.course_id == course_id, _o.state == HELD)
    patient = connection.execute(select(_o.patient).where(*mine).limit(1)).scalar()
    if patient is None:
        return 0
    values = {"state": state, "settled_at": None if state == WAITING else at}
    changed = connection.execute(update(outbox).where(*mine).values(values)).rowcount
    _wake(connection, site, destination, patient, at)
    return changed


def drop_all(connection: Connection, site: str, destination: str, at: int) -> int:
    """Settle what waits for a destination or is held there as dropped; how many rows it was."""
    mine = (_o.site == site, _o.destination == destination, _o.state.in_((WAITING, HELD)))
    return connection.execute(update(outbox).where(*mine).values(state=DROPPED, settled_at=at)).rowcount


def find_row(connection: Connection, site: str, number: int) -> OutboxRow | None:
    """One row by its number."""
    row = connection.execute(_ROWS.where(_o.site == site, _o.number == number)).first()
    return OutboxRow(*row) if row else None


def list_rows(
    connection: Connection,
    site: str,
    *,
    states: Sequence[str] = STATES,
    destination: str | None = None,
    course_id: str | None = None,
    limit: int = 50,
) -> list[OutboxRow]:
    """Rows in some states, of a destination or a course where one is named, the newest first."""
    wanted = _ROWS.where(_o.site == site, _o.state.in_(list(states)))
    if destination is not None:
        wanted = wanted.where(_o.destination == destination)
    if course_id is not None:
        wanted = wanted.where(_o.course_id == course_id)
    return [OutboxRow(*row) for row in connection.execute(wanted.order_by(_o.number.desc()).limit(limit))]


def held_courses(connection: Connection, site: str, destination: str) -> list[str]:
    """The courses that are held at a destination."""
    mine = (_o.site == site, _o.destination == destination, _o.state == HELD)
    return list(connection.scalars(select(_o.course_id).where(*mine).distinct().order_by(_o.course_id)))


def standings(connection: Connection, site: str | None = None) -> list[Standing]:
    """What waits and what is held, destination by destination; of one site or of all."""
    waiting, held = _o.state == WAITING, _o.state == HELD
    counted = (
        select(
            _d.site,
            _d.name,
            func.count(case((waiting, 1))),
            func.min(case((waiting, _o.queued_at))),
            func.count(case((held, 1))),
            func.count(case((held, _o.course_id)).distinct()),
            _d.failures,
            _d.paused,
            _d.fault,
        )
        .select_from(destinations)
        .outerjoin(outbox, (_o.site == _d.site) & (_o.destination == _d.name) & _o.state.in_((WAITING, HELD)))
        .group_by(_d.site, _d.name, _d.failures, _d.paused, _d.fault)
        .order_by(_d.site, _d.name)
    )
    if site is not None:
        counted = counted.where(_d.site == site)
    found = [Standing(*row) for row in connection.execute(counted)]
    return [each._replace(paused=bool(each.paused)) for each in found]  # SQLite has no truth values


def wake(connection: Connection, site: str, destination: str, patient: str, at: int) -> None:
    """Let a queue be looked at from an instant on, unless it is already, and make it where there is none."""
    _wake(connection, site, destination, patient, at)


def _last_number(unit: WriteUnit) -> int:
    """The number given out last; two writers of a site never ask at once, as each holds the site's lock."""
    return int(unit.connection.execute(_LAST.where(_o.site == unit.site)).scalar_one())


def _wake(connection: Connection, site: str, destination: str, patient: str, at: int) -> None:
    fresh = insert_sqlite if connection.dialect.name == "sqlite" else insert_postgresql
    row = {"site": site, "destination": destination, "patient": patient, "next_at": at, "attempts": 0, "lease_until": 0}
    connection.execute(
        fresh(delivery_queues)
        .values(row)
        .on_conflict_do_update(
            index_elements=["site", "destination", "patient"],
            set_={"next_at": func.coalesce(_q.next_at, literal(at))},
        )
    )
