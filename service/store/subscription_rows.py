"""Rows of subscriptions and their events: made by clients, filled by the commit that stores, told by senders.

Event numbers have no gaps: the counter is raised and the events are written in the transaction of the resources, under
the lock of the subscription's row, or none of it is. A sender holds a subscription by a lease; whatever it writes is
written only while it still holds the same version, so that neither a second sender nor a client's update is overrun.
"""

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

import orjson
from sqlalchemy import BigInteger, ColumnElement, Connection, and_, bindparam, cast, delete, insert, or_, select, update

from service.search.dates import microseconds
from service.store.rows import Saved
from service.store.statements import Statement
from service.store.subscription_matching import matches
from service.store.subscription_tables import subscription_events, subscriptions
from service.store.writing import WriteUnit

_s, _e = subscriptions.c, subscription_events.c
_SECOND = 1_000_000
COUNTING = ("active", "error")  # in `error` events are counted and kept, but not sent
_COUNTING = {status: status for status in COUNTING}


class SubscriptionRow(NamedTuple):
    """A subscription as stored, its headers left out."""

    site: str
    id: str
    client_id: str
    version: int
    last_updated: int
    status: str
    topic: str
    focus: str
    endpoint: str
    content: str
    heartbeat_s: int | None
    timeout_s: int
    most_events: int
    end_at: int | None
    events: int
    told: int
    failures: int
    failure: str
    next_attempt_at: int
    last_sent_at: int
    held_until: int
    held_by: str
    deleted_at: int | None
    body: bytes


class EventRow(NamedTuple):
    """One event: its number, when it was, and the version of the resource that it is about."""

    number: int
    at: int
    type: str
    id: str
    version: int


_ALL = select(*(_s[name] for name in SubscriptionRow._fields))
_OPEN = Statement(
    select(_s.id, _s.focus)
    .where(
        _s.site == bindparam("site"),
        or_(*(_s.status == bindparam(status) for status in COUNTING)),
        _s.deleted_at.is_(None),
        or_(_s.end_at.is_(None), _s.end_at > bindparam("now")),
    )
    .order_by(_s.id)
)


def note_events(unit: WriteUnit, saved: Iterable[Saved]) -> None:
    """Number and keep the events that the resources of a write are, for every subscription of the site.

    To be called once in the write, after the resources were saved.
    """
    open_ = _OPEN.rows(unit.connection, {"site": unit.site, "now": microseconds(unit.now)} | _COUNTING)
    if not open_:
        return
    asked = [(id_, orjson.loads(focus)) for id_, focus in open_]
    types = {focus["type"] for _, focus in asked}
    changed = [(each, orjson.loads(each.body)) for each in saved if each.changed and each.type in types]
    for id_, focus in asked:
        matched = [each for each, resource in changed if matches(focus, resource)]
        if matched:
            _add_events(unit, id_, matched)


def _add_events(unit: WriteUnit, id_: str, matched: Sequence[Saved]) -> None:
    mine = (_s.site == unit.site, _s.id == id_, _s.deleted_at.is_(None))
    raised = update(subscriptions).where(*mine).values(events=_s.events + len(matched)).returning(_s.events)
    last = unit.connection.execute(raised).scalar()
    if last is None:
        return  # deleted meanwhile
    common = {"site": unit.site, "subscription": id_, "at": unit.last_updated}
    unit.connection.execute(
        insert(subscription_events),
        [
            common | {"number": number, "type": each.type, "id": each.id, "version": each.version}
            for number, each in enumerate(matched, last - len(matched) + 1)
        ],
    )


# Of clients


def add_subscription(connection: Connection, row: SubscriptionRow, headers: Sequence[tuple[str, str]]) -> None:
    """Insert a subscription."""
    connection.execute(insert(subscriptions).values(row._asdict() | {"headers": orjson.dumps(headers).decode()}))


def find_subscription(connection: Connection, site: str, id_: str) -> SubscriptionRow | None:
    """The subscription of that id, deleted or not."""
    row = connection.execute(_ALL.where(_s.site == site, _s.id == id_)).one_or_none()
    return SubscriptionRow(*row) if row else None


def subscriptions_of(connection: Connection, site: str, client_id: str) -> list[SubscriptionRow]:
    """What a client has at a site and did not delete."""
    mine = _ALL.where(_s.site == site, _s.client_id == client_id, _s.deleted_at.is_(None)).order_by(_s.id)
    return [SubscriptionRow(*row) for row in connection.execute(mine)]


def change_subscription(
    connection: Connection, row: SubscriptionRow, values: dict[str, Any], headers: Sequence[tuple[str, str]] | None
) -> bool:
    """Write what a client changes; no headers: those stored stay. False where the row is no longer that version."""
    if headers is not None:
        values = values | {"headers": orjson.dumps(headers).decode()}
    mine = (_s.site == row.site, _s.id == row.id, _s.version == row.version, _s.deleted_at.is_(None))
    return connection.execute(update(subscriptions).where(*mine).values(values)).rowcount == 1


def delete_subscription(connection: Connection, site: str, id_: str, at: int) -> bool:
    """End a subscription for good: its events and headers are gone, its id stays taken. False where it was so."""
    mine = (_s.site == site, _s.id == id_, _s.deleted_at.is_(None))
    gone = update(subscriptions).where(*mine).values(
        status="off", deleted_at=at, last_updated=at, version=_s.version + 1, headers="[]"
    )  # fmt: skip
    if connection.execute(gone).rowcount != 1:
        return False
    connection.execute(delete(subscription_events).where(_e.site == site, _e.subscription == id_))
    return True


def events_between(connection: Connection, site: str, id_: str, first: int, last: int, limit: int) -> list[EventRow]:
    """Events by number, both ends included, the earliest first."""
    wanted = select(*(_e[name] for name in EventRow._fields)).where(
        _e.site == site, _e.subscription == id_, _e.number >= first, _e.number <= last
    )
    return [EventRow(*row) for row in connection.execute(wanted.order_by(_e.number).limit(limit))]


# Of senders


def _due(now: int) -> tuple[ColumnElement[bool], ...]:
    """What is to be done now and is held by nobody: an end, a handshake, events, a heartbeat."""
    beat_at = _s.last_sent_at + cast(_s.heartbeat_s, BigInteger) * _SECOND
    waiting = or_(
        _s.status == "requested",
        and_(_s.status == "active", _s.events > _s.told),
        and_(_s.status == "active", _s.heartbeat_s.is_not(None), beat_at <= now),
    )
    over = and_(_s.status != "off", _s.end_at.is_not(None), _s.end_at <= now)
    return _s.deleted_at.is_(None), _s.held_until <= now, or_(over, and_(waiting, _s.next_attempt_at <= now))


def due_subscriptions(connection: Connection, now: int, limit: int = 100) -> list[tuple[str, str]]:
    """Site and id of those that something is to be done for, the longest waiting first."""
    wanted = select(_s.site, _s.id).where(*_due(now)).order_by(_s.next_attempt_at, _s.site, _s.id).limit(limit)
    return [(row.site, row.id) for row in connection.execute(wanted)]


def hold_subscription(
    connection: Connection, site: str, id_: str, holder: str, now: int, lease_s: int
) -> SubscriptionRow | None:
    """Take the lease on a subscription that is still due, and read it. None where another sender was first.

    The lease lasts `lease_s` and four times the timeout of the subscription: connecting, sending, waiting, reading.
    """
    until = now + (lease_s + 4 * _s.timeout_s) * cast(_SECOND, BigInteger)
    held = update(subscriptions).where(_s.site == site, _s.id == id_, *_due(now))
    if connection.execute(held.values(held_by=holder, held_until=until)).rowcount != 1:
        return None
    return find_subscription(connection, site, id_)


def headers_of(connection: Connection, site: str, id_: str) -> list[tuple[str, str]]:
    """What the subscriber wants sent along; for senders alone."""
    text = connection.execute(select(_s.headers).where(_s.site == site, _s.id == id_)).scalar_one()
    return [(name, value) for name, value in orjson.loads(text)]


def record_outcome(connection: Connection, row: SubscriptionRow, holder: str, values: dict[str, Any]) -> bool:
    """Write what became of an attempt and give the lease back. False where it is no longer ours to say."""
    free: dict[str, Any] = {"held_until": 0, "held_by": ""}
    held = (_s.site == row.site, _s.id == row.id, _s.held_by == holder)
    same = (*held, _s.version == row.version, _s.deleted_at.is_(None))
    if connection.execute(update(subscriptions).where(*same).values(values | free)).rowcount == 1:
        return True
    connection.execute(update(subscriptions).where(*held).values(free))
    return False


def forget_events(connection: Connection, before: int) -> int:
    """Delete events older than an instant that their endpoint took; returns how many."""
    told = select(_s.told).where(_s.site == _e.site, _s.id == _e.subscription).scalar_subquery()
    return connection.execute(delete(subscription_events).where(_e.at < before, _e.number <= told)).rowcount
