"""Chart links: an authorised client gets a URL that opens one course once, for a short time, in a chart's frame.

Opened, it becomes a session in a cookie that reaches one course only: http-only, same-site, on that course's path. The
chart and this service must be of one site in the browser's sense (the same registrable domain): browsers send no
same-site cookie into a frame of another.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from urllib.parse import urlsplit

from service.access.faults import Forbidden, Unauthorised
from service.access.gate import Access
from service.access.scopes import CHART_LINK
from service.access.secrets import digest_of, new_secret
from service.search.dates import microseconds
from service.store.access import AccessDatabase
from service.store.chart_rows import (
    ChartRow,
    add_chart_link,
    add_chart_session,
    find_chart_session,
    open_chart_link,
)
from service.store.client_rows import find_client

LINK_LIFE = timedelta(seconds=60)
SESSION_LIFE = timedelta(hours=1)
LINKS, COURSES = "/chart/links", "/chart/courses"
_COURSE_ID = re.compile(r"[A-Za-z0-9.-]{1,64}", re.ASCII)


@dataclass(frozen=True, slots=True)
class ChartLink:
    """A URL to open once, until `expires_at`."""

    url: str
    expires_at: datetime


@dataclass(frozen=True, slots=True)
class ChartSession:
    """One course of one site, to be read until `expires_at`, on behalf of a client."""

    client_id: str
    site: str
    course_id: str
    expires_at: int

    def require(self, course_id: str) -> None:
        """Raise Forbidden for any course but the session's."""
        if course_id != self.course_id:
            raise Forbidden("the session is for another course")


@dataclass(frozen=True, slots=True)
class Opened:
    """What the browser gets for a link: where to go, and the cookie that lets it in."""

    location: str
    set_cookie: str
    session: ChartSession


class ChartLinks:
    """Makes links, opens them, knows sessions."""

    def __init__(self, database: AccessDatabase, public_base: str) -> None:
        self._database = database
        self._base = public_base
        parts = urlsplit(public_base)
        self._path = parts.path
        self._secure = parts.scheme == "https"
        self.cookie = "__Secure-chart" if self._secure else "chart"

    def make(self, access: Access, course_id: str, now: datetime) -> ChartLink:
        """A link to a course of the client's site; whether the course exists, the caller asked the store before.

        Raises Forbidden without the scope `chart-link:create`, for a registry and in the open demonstration.
        """
        access.require_own(CHART_LINK)
        site = access.own_site()
        if not _COURSE_ID.fullmatch(course_id):
            raise ValueError("not a course_id")
        secret, digest = new_secret()
        expires_at = now + LINK_LIFE
        with self._database.write() as connection:
            client = find_client(connection, access.client_id)
            if client is None or client.revoked_at is not None:
                raise Forbidden("chart links are for registered clients")
            row = ChartRow(digest, client.client_id, client.generation, site, course_id, microseconds(expires_at))
            add_chart_link(connection, row)
        return ChartLink(f"{self._base}{LINKS}/{secret}", expires_at)

    def open(self, secret: str, now: datetime) -> Opened:
        """Turn a link into a session; raises Unauthorised for one that is unknown, over, void or opened before."""
        session, digest = new_secret()
        expires_at = microseconds(now + SESSION_LIFE)
        with self._database.write() as connection:
            link = open_chart_link(connection, digest_of(secret), microseconds(now))
            if link is not None:
                add_chart_session(connection, link._replace(digest=digest, expires_at=expires_at))
        if link is None:
            raise Unauthorised("the link was opened before or is over: open the chart again", "invalid_token")
        opened = ChartSession(link.client_id, link.site, link.course_id, expires_at)
        return Opened(f"{self._base}{COURSES}/{link.course_id}", self._cookie(session, link.course_id), opened)

    def session(self, cookie: str | None, now: datetime) -> ChartSession:
        """The session of a cookie's value, looked up with every request; raises Unauthorised."""
        if not cookie:
            raise Unauthorised("open the course from the chart")
        with self._database.read() as connection:
            found = find_chart_session(connection, digest_of(cookie), microseconds(now))
        if found is None:
            raise Unauthorised("the session is over: open the course from the chart again", "invalid_token")
        return ChartSession(found.client_id, found.site, found.course_id, found.expires_at)

    def _cookie(self, session: str, course_id: str) -> str:
        path = f"{self._path}{COURSES}/{course_id}"
        age_s = int(SESSION_LIFE.total_seconds())
        secure = "; Secure" if self._secure else ""
        return f"{self.cookie}={session}; Path={path}; Max-Age={age_s}; HttpOnly; SameSite=Strict{secure}"


def page_headers(frame_origins: Sequence[str]) -> dict[str, str]:
    """Headers of every page that a chart may frame: no script, nothing from elsewhere, framed by these origins only."""
    ancestors = " ".join(frame_origins) or "'none'"
    policy = (
        "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
        f"frame-ancestors {ancestors}"
    )
    framing = {} if frame_origins else {"X-Frame-Options": "DENY"}
    return {
        "Content-Security-Policy": policy,
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "no-referrer",
        "Cache-Control": "no-store",
        **framing,
    }
