"""The sender: handshakes, events in order, heartbeats. Several may run; each holds what it tells by a lease.

Delivery is at least once: a notification may come twice, with the same event numbers, never with a gap. A handshake
that fails puts the subscription in error at once, as the guide says; events are tried again with growing waits, and
after `FAILURES_UNTIL_ERROR` in a row the subscription is in error until its client asks for it again. Nothing is lost
by that: events go on being numbered and kept, and are told from where it stopped.
"""

import logging
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import httpx

from service import __version__
from service.access.scopes import parse_scopes
from service.fhir import wire
from service.search.dates import microseconds
from service.store import Store
from service.store.access import AccessDatabase
from service.store.client_rows import any_client, find_client
from service.store.subscription_rows import (
    SubscriptionRow,
    due_subscriptions,
    events_between,
    forget_events,
    headers_of,
    hold_subscription,
    record_outcome,
)
from service.subscriptions.agreement import PAYLOAD
from service.subscriptions.endpoints import Endpoints
from service.subscriptions.notification import EVENTS, HANDSHAKE, HEARTBEAT, Notices, Told, told_of

FAILURES_UNTIL_ERROR = 8
FIRST_WAIT_S, LONGEST_WAIT_S = 10, 900
KEPT_DAYS = 30  # events that were told, for `$events`
DEMONSTRATION = "demonstration"  # the client of the open demonstration, which is registered nowhere
_SECOND = 1_000_000
_LEASE_S = 60

log = logging.getLogger(__name__)
Values = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Failed:
    """What an endpoint answered instead of taking a notification."""

    why: str
    after_s: int = 0  # Retry-After


@dataclass(frozen=True, slots=True)
class Sender:
    """Tells what is due. `holder`: a name of this sender that no other has. `new_id`: ids of Bundles."""

    database: AccessDatabase
    store: Store
    notices: Notices
    endpoints: Endpoints
    client: httpx.Client
    clock: Callable[[], datetime]
    holder: str
    new_id: Callable[[], str]

    def tell_all_due(self) -> int:
        """One attempt for each subscription that something is due for; returns how many attempts were made."""
        with self.database.read() as connection:
            due = due_subscriptions(connection, self._now())
        return sum(self._tell(site, id_) for site, id_ in due)

    def forget_old(self) -> int:
        """Delete events that were told more than `KEPT_DAYS` days ago."""
        with self.database.write() as connection:
            return forget_events(connection, self._now() - KEPT_DAYS * 86_400 * _SECOND)

    def _now(self) -> int:
        return microseconds(self.clock())

    def _tell(self, site: str, id_: str) -> bool:
        with self.database.write() as connection:
            row = hold_subscription(connection, site, id_, self.holder, self._now(), _LEASE_S)
        if row is None:
            return False
        values = self._attempt(row)
        with self.database.write() as connection:
            recorded = record_outcome(connection, row, self.holder, values)
        if recorded and "status" in values:
            log.info("subscription %s is %s", id_, values["status"])
        return True

    # One attempt: what is to be written into the row afterwards

    def _attempt(self, row: SubscriptionRow) -> Values:
        now = self._now()
        if row.end_at is not None and row.end_at <= now:
            return self._becomes(row, "off", "")
        if not self._may_be_told(row):
            return self._becomes(row, "off", "the client's access ended")
        if fault := self.endpoints.fault(row.endpoint):
            return self._becomes(row, "error", f"the endpoint {fault}")
        if row.status == "requested":
            return self._handshake(row)
        if row.events > row.told:
            return self._events(row)
        failed = self._send(row, HEARTBEAT, [])
        return self._failed(row, failed) if failed else {"failures": 0, "failure": "", "last_sent_at": now}

    def _handshake(self, row: SubscriptionRow) -> Values:
        failed = self._send(row, HANDSHAKE, [])
        if failed:
            return self._becomes(row, "error", f"handshake: {failed.why}")
        return self._becomes(row, "active", "") | {"failures": 0, "last_sent_at": self._now()}

    def _events(self, row: SubscriptionRow) -> Values:
        with self.database.read() as connection:
            events = events_between(connection, row.site, row.id, row.told + 1, row.events, row.most_events)
        told = told_of(self.store, row.site, events, row.content)
        failed = self._send(row, EVENTS, told)
        if failed:
            return self._failed(row, failed)
        return {"told": events[-1].number, "failures": 0, "failure": "", "last_sent_at": self._now()}

    def _send(self, row: SubscriptionRow, kind: str, told: list[Told]) -> Failed | None:
        bundle = self.notices.bundle(row, kind, told, row.content, (self.new_id(), self.new_id()), self._now())
        with self.database.read() as connection:
            headers = headers_of(connection, row.site, row.id)
        given = [*headers, ("Content-Type", PAYLOAD), ("User-Agent", f"closure-readings/{__version__}")]
        try:
            with self.client.stream(
                "POST", row.endpoint, content=wire.write(bundle), headers=given, timeout=row.timeout_s
            ) as answer:  # its body is of no use and may be of any size
                if answer.is_success:
                    return None
                return Failed(f"the endpoint answered {answer.status_code}", _seconds(answer.headers))
        except httpx.HTTPError as fault:
            return Failed(f"the endpoint could not be reached: {type(fault).__name__}")

    def _failed(self, row: SubscriptionRow, failed: Failed) -> Values:
        failures = row.failures + 1
        if failures >= FAILURES_UNTIL_ERROR:
            return self._becomes(row, "error", failed.why) | {"failures": failures}
        wait_s = max(min(LONGEST_WAIT_S, FIRST_WAIT_S * 2 ** (failures - 1)), failed.after_s)
        return {"failures": failures, "failure": failed.why, "next_attempt_at": self._now() + wait_s * _SECOND}

    def _becomes(self, row: SubscriptionRow, status: str, why: str) -> Values:
        changed = {"version": row.version + 1, "last_updated": self._now(), "next_attempt_at": self._now()}
        return {"status": status, "failure": why, **changed}

    def _may_be_told(self, row: SubscriptionRow) -> bool:
        """Whether the client still may read what it is told of: not revoked, and with a scope that grants it."""
        topic = self.notices.vocabulary.topic(row.topic)
        if topic is None:
            return False
        with self.database.read() as connection:
            if row.client_id == DEMONSTRATION:
                return not any_client(connection)
            client = find_client(connection, row.client_id)
        if client is None or client.revoked_at is not None or client.site != row.site:
            return False
        return parse_scopes(client.scopes).allows(topic.type, "read")


def http_client(endpoints: Endpoints) -> httpx.Client:
    """A client that follows no redirect, asks no proxy and trusts what the operator says."""
    trust = ssl.create_default_context(cafile=endpoints.ca_file) if endpoints.ca_file else True
    return httpx.Client(follow_redirects=False, trust_env=False, verify=trust)


def _seconds(headers: httpx.Headers) -> int:
    """Retry-After in seconds, at most an hour; 0 for none or for one that is a date."""
    text = headers.get("retry-after", "")
    return min(int(text), 3600) if text.isascii() and text.isdigit() and len(text) < 9 else 0
