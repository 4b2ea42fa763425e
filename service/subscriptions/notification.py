"""What is told: the Subscription as its client sees it, and the notification Bundle with its status first.

Bundle of type history whose first entry is a Parameters resource (profiles backport-subscription-notification-r4 and
backport-subscription-status-r4); `empty` names no resource, `id-only` refers to it, `full-resource` holds it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from service.fhir import wire
from service.search.dates import instant
from service.store import Store
from service.store.subscription_rows import EventRow, SubscriptionRow
from service.subscriptions.topics import Vocabulary

Tree = dict[str, Any]
HANDSHAKE, HEARTBEAT, EVENTS = "handshake", "heartbeat", "event-notification"
QUERY_STATUS, QUERY_EVENTS = "query-status", "query-event"


@dataclass(frozen=True, slots=True)
class Told:
    """One event with the version of the resource that it is about, where that is to be sent and still there."""

    event: EventRow
    resource: Tree | None = None


def told_of(store: Store, site: str, events: Sequence[EventRow], content: str) -> list[Told]:
    """The events with what they are about, read only where the content asks for it."""
    if content != "full-resource":
        return [Told(each) for each in events]
    with store.read(site) as reading:
        found = [reading.version(each.type, each.id, each.version) for each in events]
    bodies = [one.body if one is not None else None for one in found]
    return [Told(each, wire.read(body) if body else None) for each, body in zip(events, bodies, strict=True)]


def subscription_resource(row: SubscriptionRow, vocabulary: Vocabulary) -> Tree:
    """The Subscription as served: with our status and error, without its headers."""
    kept = wire.read(row.body)
    head = {
        "resourceType": "Subscription",
        "id": row.id,
        "meta": {
            "versionId": str(row.version),
            "lastUpdated": instant(row.last_updated),
            "profile": [vocabulary.urls["profile"]],
        },
        "status": row.status,
    }
    failed = {"error": row.failure} if row.failure and row.status in ("error", "off") else {}
    return head | {name: value for name, value in kept.items() if name not in head} | failed


@dataclass(frozen=True, slots=True)
class Notices:
    """Builds notifications of one deployment."""

    vocabulary: Vocabulary
    fhir_base: str

    def bundle(
        self, row: SubscriptionRow, kind: str, told: Sequence[Told], content: str, ids: tuple[str, str], now: int
    ) -> Tree:
        """A notification; `ids` are those of the Bundle and of its status."""
        status = self._entry(self.status(row, kind, told, content, ids[1]), row)
        return {
            "resourceType": "Bundle",
            "id": ids[0],
            "meta": {"profile": [self.vocabulary.urls["notification-profile"]]},
            "type": "history",
            "timestamp": instant(now),
            "entry": [status, *(self._focus(each) for each in told if content == "full-resource")],
        }

    def statuses(self, rows: Sequence[tuple[SubscriptionRow, str]], bundle_id: str) -> Tree:
        """The answer to `$status`: a searchset of statuses, each row with the id of its status."""
        entries = [
            {
                "fullUrl": f"urn:uuid:{id_}",
                "resource": self.status(row, QUERY_STATUS, (), row.content, id_),
                "search": {"mode": "match"},
            }
            for row, id_ in rows
        ]
        found = {"resourceType": "Bundle", "id": bundle_id, "type": "searchset", "total": len(entries)}
        return found | ({"entry": entries} if entries else {})

    def status(self, row: SubscriptionRow, kind: str, told: Sequence[Told], content: str, id_: str) -> Tree:
        """The status as Parameters."""
        topic = self.vocabulary.topic(row.topic)
        parameters: list[Tree] = [
            {"name": "subscription", "valueReference": {"reference": f"{self.fhir_base}/Subscription/{row.id}"}}
        ]
        if topic is not None and content != "empty":
            parameters.append({"name": "topic", "valueCanonical": topic.canonical})
        parameters += [
            {"name": "status", "valueCode": row.status},
            {"name": "type", "valueCode": kind},
            {"name": "events-since-subscription-start", "valueString": str(_last(row, kind, told))},
            *({"name": "notification-event", "part": self._event(each, content)} for each in told),
        ]
        if row.status == "error":
            system, _, code = self.vocabulary.urls["no-response"].partition("|")
            concept = {"coding": [{"system": system, "code": code}], "text": row.failure or code}
            parameters.append({"name": "error", "valueCodeableConcept": concept})
        profile = [self.vocabulary.urls["status-profile"]]
        return {"resourceType": "Parameters", "id": id_, "meta": {"profile": profile}, "parameter": parameters}

    def _event(self, told: Told, content: str) -> list[Tree]:
        event = told.event
        parts: list[Tree] = [
            {"name": "event-number", "valueString": str(event.number)},
            {"name": "timestamp", "valueInstant": instant(event.at)},
        ]
        if content != "empty":
            reference = f"{self.fhir_base}/{event.type}/{event.id}"
            parts.append({"name": "focus", "valueReference": {"reference": reference}})
        return parts

    def _entry(self, status: Tree, row: SubscriptionRow) -> Tree:
        return {
            "fullUrl": f"urn:uuid:{status['id']}",
            "resource": status,
            "request": {"method": "GET", "url": f"{self.fhir_base}/Subscription/{row.id}/$status"},
            "response": {"status": "200"},
        }

    def _focus(self, told: Told) -> Tree:
        event = told.event
        place = f"{event.type}/{event.id}"
        held = {"resource": told.resource} if told.resource is not None else {}
        return {
            "fullUrl": f"{self.fhir_base}/{place}",
            **held,
            "request": {"method": "PUT", "url": place},
            "response": {"status": "201" if event.version == 1 else "200", "etag": f'W/"{event.version}"'},
        }


def _last(row: SubscriptionRow, kind: str, told: Sequence[Told]) -> int:
    """Events up to and with this notification; all that there were where none is told."""
    return told[-1].event.number if told and kind == EVENTS else row.events
