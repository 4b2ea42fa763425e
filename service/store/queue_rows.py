"""Queues of delivery and who sends from them: one sender at a time, by a lease that outlives nobody for long.

On PostgreSQL senders pass over each other's rows (SKIP LOCKED); on SQLite one writes at a time, and the update asks
again whether the lease is free.
"""

from sqlalchemy import ColumnElement, Connection, case, func, or_, select, update

from service.store.delivery_tables import delivery_queues, destinations, outbox
from service.store.outbox_rows import HELD, WAITING

_q, _d, _o = delivery_queues.c, destinations.c, outbox.c


def next_due(connection: Connection, site: str, destination: str) -> int | None:
    """When something is to be sent next, leases and waits taken into account; None while nothing is."""
    free_at = case((_q.lease_until > _q.next_at, _q.lease_until), else_=_q.next_at)
    mine = (_q.site == site, _q.destination == destination, _q.next_at.is_not(None))
    found = connection.execute(select(func.min(free_at)).where(*mine)).scalar()
    opens = connection.execute(select(_d.next_at).where(_d.site == site, _d.name == destination, ~_d.paused)).scalar()
    return None if found is None or opens is None else max(int(found), int(opens))


def claim(
    connection: Connection, site: str, destination: str, holder: str, now: int, lease_until: int, pace_us: int
) -> str | None:
    """Take the lease on the queue that has waited longest and return its patient; None where nothing may be sent.

    `pace_us`: the time between two requests to the destination, 0 for none.
    """
    mine = (_q.site == site, _q.destination == destination)
    wanted = select(_q.patient).where(*mine, *_free(now)).order_by(_q.next_at, _q.patient).limit(1)
    if not _may_send(connection, site, destination, now):
        return None
    patient: str | None = connection.execute(wanted.with_for_update(skip_locked=True)).scalar()
    if patient is None:
        return None
    taken = update(delivery_queues).where(*mine, _q.patient == patient, *_free(now))
    if connection.execute(taken.values(holder=holder, lease_until=lease_until)).rowcount != 1:
        return None
    if pace_us and not _took_turn(connection, site, destination, now, pace_us):
        give_back(connection, site, destination, patient, holder, now, attempts=None)
        return None
    return patient


def still_held(connection: Connection, site: str, destination: str, patient: str, holder: str) -> bool:
    """Whether the lease is still this sender's; if so, the row is locked until the end of the transaction."""
    mine = (_q.site == site, _q.destination == destination, _q.patient == patient)
    found = connection.execute(select(_q.holder).where(*mine).with_for_update()).scalar()
    return bool(found == holder)


def attempts_of(connection: Connection, site: str, destination: str, patient: str) -> int:
    """How often sending from a queue failed since it last succeeded."""
    mine = (_q.site == site, _q.destination == destination, _q.patient == patient)
    return int(connection.execute(select(_q.attempts).where(*mine)).scalar() or 0)


def give_back(
    connection: Connection,
    site: str,
    destination: str,
    patient: str,
    holder: str,
    next_at: int,
    attempts: int | None = 0,
) -> None:
    """End a lease. The queue is due again at `next_at` while rows of it may be sent. `attempts` None: as they are."""
    held = select(_o.course_id).where(_o.site == site, _o.destination == destination, _o.state == HELD)
    free = (_o.site == site, _o.destination == destination, _o.patient == patient, _o.state == WAITING)
    more = connection.execute(select(_o.number).where(*free, _o.course_id.not_in(held)).limit(1)).first()
    values = {"holder": None, "lease_until": 0, "next_at": next_at if more else None}
    if attempts is not None:
        values["attempts"] = attempts
    mine = (_q.site == site, _q.destination == destination, _q.patient == patient, _q.holder == holder)
    connection.execute(update(delivery_queues).where(*mine).values(values))


def _free(now: int) -> tuple[ColumnElement[bool], ...]:
    return (_q.next_at <= now, or_(_q.holder.is_(None), _q.lease_until <= now))


def _may_send(connection: Connection, site: str, destination: str, now: int) -> bool:
    mine = (_d.site == site, _d.name == destination, ~_d.paused, _d.next_at <= now)
    return connection.execute(select(_d.name).where(*mine)).first() is not None


def _took_turn(connection: Connection, site: str, destination: str, now: int, pace_us: int) -> bool:
    """Move on when the destination may be asked next; False where another sender was quicker."""
    mine = (_d.site == site, _d.name == destination, _d.next_at <= now)
    return connection.execute(update(destinations).where(*mine).values(next_at=now + pace_us)).rowcount == 1
