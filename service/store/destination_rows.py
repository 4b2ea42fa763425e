"""Rows of destinations, and what people decided about what waits for them."""

from typing import Any, NamedTuple

from sqlalchemy import Connection, case, delete, func, insert, select, update

from service.store.delivery_tables import (
    delivered_resources,
    delivery_decisions,
    delivery_queues,
    destinations,
)

_d, _n = destinations.c, delivery_decisions.c
SETTINGS = (
    "url", "writing", "patients", "types", "profiles", "sign_in", "secret_file", "client_id", "token_url", "scope",
    "ca_file", "per_minute", "receiving_application", "receiving_facility", "processing_id", "authorities", "plain",
)  # fmt: skip


class DestinationRow(NamedTuple):
    """A destination as stored."""

    site: str
    name: str
    url: str
    writing: str
    patients: str
    types: str
    profiles: str
    sign_in: str
    secret_file: str
    client_id: str
    token_url: str
    scope: str
    ca_file: str
    per_minute: int
    receiving_application: str
    receiving_facility: str
    processing_id: str
    authorities: str
    plain: bool
    paused: bool
    added_at: int
    next_at: int = 0
    failures: int = 0
    fault: str = ""


class Decision(NamedTuple):
    """What somebody decided: `what` is redrive, skip or remove, `rows` how many outbox rows it was about."""

    number: int
    destination: str
    what: str
    course_id: str | None
    rows: int
    decided_by: str
    reason: str
    decided_at: int


_ALL = select(*(_d[name] for name in DestinationRow._fields)).order_by(_d.site, _d.name)


def find_destination(connection: Connection, site: str, name: str) -> DestinationRow | None:
    """The destination of that name."""
    row = connection.execute(_ALL.where(_d.site == site, _d.name == name)).first()
    return _read(row) if row else None


def list_destinations(connection: Connection, site: str | None = None) -> list[DestinationRow]:
    """Every destination, of one site or of all."""
    return [_read(row) for row in connection.execute(_ALL if site is None else _ALL.where(_d.site == site))]


def insert_destination(connection: Connection, row: DestinationRow) -> None:
    """Insert a destination."""
    connection.execute(insert(destinations).values(row._asdict()))


def change_destination(connection: Connection, site: str, name: str, values: dict[str, Any]) -> bool:
    """Write some settings of a destination; False where there is none of that name."""
    mine = (_d.site == site, _d.name == name)
    return connection.execute(update(destinations).where(*mine).values(values)).rowcount == 1


def remove_destination(connection: Connection, site: str, name: str) -> None:
    """Forget a destination, its queues and what is there. Rows of the outbox and decisions stay."""
    for table in (delivery_queues, delivered_resources):  # queues first, in the order in which senders lock
        connection.execute(delete(table).where(table.c.site == site, table.c.destination == name))
    connection.execute(delete(destinations).where(_d.site == site, _d.name == name))


def note_answer(connection: Connection, site: str, name: str) -> None:
    """The server answered: whatever failed before is over."""
    mine = (_d.site == site, _d.name == name, _d.failures > 0)
    connection.execute(update(destinations).where(*mine).values(failures=0, fault=""))


def note_failure(connection: Connection, site: str, name: str, fault: str, next_at: int) -> None:
    """The server as a whole failed: nothing more is sent there before an instant."""
    later = case((_d.next_at > next_at, _d.next_at), else_=next_at)
    mine = (_d.site == site, _d.name == name)
    connection.execute(update(destinations).where(*mine).values(failures=_d.failures + 1, fault=fault, next_at=later))


def note_decision(connection: Connection, site: str, decision: Decision) -> None:
    """Keep a decision; its number is given here, under the site's lock."""
    last = connection.execute(select(func.coalesce(func.max(_n.number), 0)).where(_n.site == site)).scalar_one()
    connection.execute(insert(delivery_decisions).values({**decision._asdict(), "site": site, "number": int(last) + 1}))


def list_decisions(connection: Connection, site: str, destination: str | None = None) -> list[Decision]:
    """What was decided, the newest first."""
    wanted = select(*(_n[name] for name in Decision._fields)).where(_n.site == site)
    if destination is not None:
        wanted = wanted.where(_n.destination == destination)
    return [Decision(*row) for row in connection.execute(wanted.order_by(_n.number.desc()))]


def _read(row: Any) -> DestinationRow:
    found = DestinationRow(*row)
    return found._replace(plain=bool(found.plain), paused=bool(found.paused))  # SQLite has no truth values
