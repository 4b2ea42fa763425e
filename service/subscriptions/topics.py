"""What can be subscribed to, and the published names that the agreement is written with.

R4 rest-hook Subscription with the topics of HL7's Subscriptions R5 Backport
(http://hl7.org/fhir/uv/subscriptions-backport). Its URLs stand in `mappings/subscriptions.csv`, our topics in
`mappings/subscription-topics.csv`.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.fhir.r4 import resource_types
from service.terminology import Terminology
from service.terminology.apart import read_apart
from service.terminology.tables import Fault, Row, TerminologyFault

URLS, TOPICS = "subscriptions.csv", "subscription-topics.csv"
_URL_COLUMNS = ("key", "url", "source")
_TOPIC_COLUMNS = ("key", "title", "description", "type", "concept", "filters")
_NEEDED_URLS = (
    "profile", "notification-profile", "status-profile", "filter", "content", "heartbeat", "timeout", "most-events",
    "channel-type", "topic-of-server", "server", "status-operation", "events-operation", "search-url", "search-status",
    "no-response",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Topic:
    """One topic: a type of resource, the code that it must have if any, and what events can be narrowed down by."""

    key: str
    canonical: str
    title: str
    description: str
    type: str
    code: tuple[str, str] | None  # system and code
    filters: Mapping[str, str]  # name in a filter -> element of the resource


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """The topics of this deployment and the published URLs."""

    topics: Mapping[str, Topic]  # by canonical
    urls: Mapping[str, str]

    def topic(self, key: str) -> Topic | None:
        """The topic of a key of the table."""
        return next((each for each in self.topics.values() if each.key == key), None)


def read_vocabulary(terms: Terminology, folder: Path | None = None) -> Vocabulary:
    """Read both tables of a mappings folder, None for the one shipped. Raises TerminologyFault with every fault."""
    rows = read_apart(TOPICS, _TOPIC_COLUMNS, ("key", "title", "description", "type", "filters"), ("key",), folder)
    urls = {row["key"]: row["url"] for row in read_apart(URLS, _URL_COLUMNS, _URL_COLUMNS, ("key",), folder)}
    faults = [fault for row in rows for fault in _faults(row, terms)]
    faults += [Fault(URLS, 0, f"no row of {key}") for key in _NEEDED_URLS if key not in urls]
    if faults:
        raise TerminologyFault(faults)
    topics = [_topic(row, terms) for row in rows]
    return Vocabulary({topic.canonical: topic for topic in topics}, urls)


def _faults(row: Row, terms: Terminology) -> Iterator[Fault]:
    if row["type"] not in resource_types():
        yield row.fault(f"{row['type']!r} is no resource type")
    if row["concept"] and row["concept"] not in terms.concepts:
        yield row.fault(f"no concept {row['concept']!r}")
    if any(name == "" or element == "" for name, element in _filters(row)):
        yield row.fault("filters are name:element, separated by blanks")


def _filters(row: Row) -> list[tuple[str, str]]:
    parts = [each.partition(":") for each in row["filters"].split()]
    return [(name, element) for name, _, element in parts]


def _topic(row: Row, terms: Terminology) -> Topic:
    code = terms.coding(row["concept"]) if row["concept"] else None
    return Topic(
        key=row["key"],
        canonical=f"{terms.base}/SubscriptionTopic/{row['key']}",
        title=row["title"],
        description=row["description"],
        type=row["type"],
        code=(code["system"], code["code"]) if code else None,
        filters=dict(_filters(row)),
    )


def capability_of(vocabulary: Vocabulary) -> dict[str, Any]:
    """The row of CapabilityStatement.rest.resource; the statement itself should instantiate `urls["server"]`."""
    urls = vocabulary.urls
    return {
        "extension": [{"url": urls["topic-of-server"], "valueCanonical": canonical} for canonical in vocabulary.topics],
        "type": "Subscription",
        "supportedProfile": [urls["profile"]],
        "documentation": (
            "Channel rest-hook with payload application/fhir+json to endpoints that the operator allows. A client sees "
            "the subscriptions that it made, and those alone. An update begins anew with a handshake."
        ),
        "interaction": [{"code": code} for code in ("create", "read", "update", "delete", "search-type")],
        "versioning": "versioned-update",
        "readHistory": False,
        "updateCreate": False,
        "conditionalCreate": False,
        "conditionalRead": "not-supported",
        "conditionalUpdate": False,
        "conditionalDelete": "not-supported",
        "searchParam": [
            {"name": "status", "definition": urls["search-status"], "type": "token"},
            {"name": "url", "definition": urls["search-url"], "type": "uri"},
        ],
        "operation": [
            {"name": "status", "definition": urls["status-operation"]},
            {"name": "events", "definition": urls["events-operation"]},
        ],
    }
