"""Rows of chart links and of the sessions that they become."""

from typing import NamedTuple

from sqlalchemy import Connection, delete, insert, select, update

from service.store.access_tables import chart_links, chart_sessions, clients

_l, _s, _c = chart_links.c, chart_sessions.c, clients.c


class ChartRow(NamedTuple):
    """A link or a session as stored: one course of one site, on behalf of a client."""

    digest: bytes
    client_id: str
    generation: int
    site: str
    course_id: str
    expires_at: int


def add_chart_link(connection: Connection, row: ChartRow) -> None:
    """Insert a link that nobody has opened."""
    connection.execute(insert(chart_links).values(row._asdict()))


def open_chart_link(connection: Connection, digest: bytes, now: int) -> ChartRow | None:
    """Mark a valid link as opened and return it; None for one that is unknown, over, void or opened before.

    Of two that open it at once, the row's lock lets one find it unopened.
    """
    mine = (_l.digest == digest, _l.opened_at.is_(None), _l.expires_at > now)
    if connection.execute(update(chart_links).where(*mine).values(opened_at=now)).rowcount != 1:
        return None
    found = connection.execute(
        select(*(_l[name] for name in ChartRow._fields))
        .join(clients, (_c.client_id == _l.client_id) & (_c.generation == _l.generation) & _c.revoked_at.is_(None))
        .where(_l.digest == digest)
    ).one_or_none()
    return ChartRow(*found) if found else None


def add_chart_session(connection: Connection, row: ChartRow) -> None:
    """Insert a session."""
    connection.execute(insert(chart_sessions).values(row._asdict()))


def find_chart_session(connection: Connection, digest: bytes, now: int) -> ChartRow | None:
    """The session while it is valid: not over, its client neither revoked nor given other keys."""
    found = connection.execute(
        select(*(_s[name] for name in ChartRow._fields))
        .join(clients, (_c.client_id == _s.client_id) & (_c.generation == _s.generation) & _c.revoked_at.is_(None))
        .where(_s.digest == digest, _s.expires_at > now)
    ).one_or_none()
    return ChartRow(*found) if found else None


def forget_expired_charts(connection: Connection, before: int) -> None:
    """Delete links and sessions that were over before an instant."""
    connection.execute(delete(chart_links).where(_l.expires_at < before))
    connection.execute(delete(chart_sessions).where(_s.expires_at < before))
