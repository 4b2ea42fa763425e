"""From a Subscription as sent to what is agreed on; everything that is not offered is refused with its reason.

https://hl7.org/fhir/R4/subscription.html with the profile backport-subscription. The guide asks that a server refuse
what it will not do rather than do something else.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import parse_qsl

from service.fhir.r4.issue import Issue
from service.fhir.validate import check
from service.subscriptions.endpoints import Endpoints
from service.subscriptions.topics import Topic, Vocabulary

Tree = dict[str, Any]
CONTENTS = ("empty", "id-only", "full-resource")
PAYLOAD = "application/fhir+json"
MOST_HEADERS, LONGEST_HEADER = 10, 2000
HEARTBEAT_S, TIMEOUT_S, MOST_EVENTS = (60, 604_800), (1, 60), (1, 100)
DEFAULT_TIMEOUT_S, DEFAULT_MOST_EVENTS = 15, 20
_HEADER = re.compile(r"([!#$%&'*+.^_`|~0-9A-Za-z-]+):[ \t]*([\x21-\x7e](?:[\x20-\x7e\t]*[\x21-\x7e])?)")
_OURS = frozenset({"host", "content-length", "content-type", "transfer-encoding", "connection", "upgrade", "expect"})


class NotAgreed(ValueError):
    """The subscription is refused; `issues` says why, each with its place."""

    def __init__(self, issues: Sequence[Issue]) -> None:
        super().__init__("; ".join(issue.diagnostics for issue in issues))
        self.issues = list(issues)


@dataclass(frozen=True, slots=True)
class Agreed:
    """What is agreed on. `body` is the resource without server elements and without headers."""

    topic: Topic
    focus: Tree  # what `store.subscription_matching` asks of a resource
    endpoint: str
    headers: tuple[tuple[str, str], ...] | None  # None where the resource names none
    content: str
    heartbeat_s: int | None
    timeout_s: int
    most_events: int
    end: datetime | None
    off: bool
    body: Tree


@dataclass(frozen=True, slots=True)
class Terms:
    """What this service offers: topics, endpoints, and the base that references may be written with."""

    vocabulary: Vocabulary
    endpoints: Endpoints
    fhir_base: str


def agreed(resource: Tree, terms: Terms, now: datetime) -> Agreed:
    """What a sent Subscription comes to. Raises NotAgreed with every fault."""
    unsound = [issue for issue in check(resource) if issue.severity == "error"]
    if unsound:
        raise NotAgreed(unsound)
    reading = _Reading(resource, terms, now)
    found = reading.everything()
    if reading.issues or found is None:
        raise NotAgreed(reading.issues)
    return found


class _Reading:
    """One pass over a sound Subscription, gathering what is refused."""

    def __init__(self, resource: Tree, terms: Terms, now: datetime) -> None:
        self.issues: list[Issue] = []
        self._resource = resource
        self._channel: Tree = resource["channel"]
        self._terms = terms
        self._urls = terms.vocabulary.urls
        self._now = now

    def everything(self) -> Agreed | None:
        """All that is agreed on; None where the topic is unknown."""
        end = self._end()
        self._status()
        self._kind_of_channel()
        endpoint, headers = self._endpoint(), self._headers()
        content = self._content()
        heartbeat_s = self._number("heartbeat", "valueUnsignedInt", HEARTBEAT_S, "heartbeat period in seconds")
        timeout_s = self._number("timeout", "valueUnsignedInt", TIMEOUT_S, "timeout in seconds")
        most_events = self._number("most-events", "valuePositiveInt", MOST_EVENTS, "number of events")
        topic = self._topic()
        if topic is None:
            return None
        return Agreed(
            topic, self._focus(topic), endpoint, headers, content, heartbeat_s, timeout_s or DEFAULT_TIMEOUT_S,
            most_events or DEFAULT_MOST_EVENTS, end, self._resource["status"] == "off", self._body(),
        )  # fmt: skip

    def _refuse(self, place: str, why: str, code: str = "not-supported") -> None:
        self.issues.append(Issue("error", code, f"Subscription.{place}", why, "subscription"))

    def _status(self) -> None:
        if self._resource["status"] == "error":
            self._refuse("status", "error is said by the server: send requested, or off", "value")
        if "modifierExtension" in self._resource or "modifierExtension" in self._channel:
            self._refuse("modifierExtension", "no extension that changes the meaning is known here")

    def _end(self) -> datetime | None:
        if "end" not in self._resource:
            return None
        end = datetime.fromisoformat(self._resource["end"])
        if end <= self._now:
            self._refuse("end", "the end is past", "value")
        return end

    def _kind_of_channel(self) -> None:
        named = self._extensions(self._channel.get("_type"), "channel-type")
        if self._channel["type"] != "rest-hook" or named:
            self._refuse("channel.type", "the only channel offered is rest-hook")
        if self._channel.get("payload") != PAYLOAD:
            self._refuse("channel.payload", f"the only payload offered is {PAYLOAD}, and it must be named")

    def _endpoint(self) -> str:
        endpoint: str = self._channel.get("endpoint", "")
        fault = self._terms.endpoints.fault(endpoint) if endpoint else "is missing"
        if fault:
            self._refuse("channel.endpoint", f"the endpoint {fault}", "value")
        return endpoint

    def _headers(self) -> tuple[tuple[str, str], ...] | None:
        lines: list[str] | None = self._channel.get("header")
        if lines is None:
            return None
        found = [_HEADER.fullmatch(line) for line in lines]
        if len(lines) > MOST_HEADERS or any(len(line) > LONGEST_HEADER for line in lines):
            self._refuse("channel.header", f"at most {MOST_HEADERS} of {LONGEST_HEADER} characters", "too-long")
        if not all(found):
            self._refuse("channel.header", "a header is a name, a colon and a value in ASCII", "value")
        pairs = tuple((each[1], each[2]) for each in found if each)
        if any(name.lower() in _OURS for name, _ in pairs):
            self._refuse("channel.header", "a header that belongs to the transport cannot be set", "value")
        return pairs

    def _content(self) -> str:
        found = self._extensions(self._channel.get("_payload"), "content")
        codes = [each.get("valueCode", "") for each in found]
        if len(codes) != 1 or codes[0] not in CONTENTS:
            self._refuse("channel.payload.extension", f"exactly one content is needed: {', '.join(CONTENTS)}")
            return CONTENTS[0]
        return str(codes[0])

    def _number(self, key: str, name: str, bounds: tuple[int, int], what: str) -> int | None:
        found = self._extensions(self._channel, key)
        if not found:
            return None
        number, (low, high) = found[0].get(name), bounds
        if len(found) > 1 or not isinstance(number, int) or not low <= number <= high:
            self._refuse("channel.extension", f"the {what} is a whole number from {low} to {high}, once", "value")
            return None
        return number

    def _topic(self) -> Topic | None:
        known = self._terms.vocabulary.topics
        topic = known.get(self._resource["criteria"])
        if topic is None:
            self._refuse("criteria", f"no topic of this service; it has {', '.join(known)}")
        return topic

    def _focus(self, topic: Topic) -> Tree:
        conditions = [
            condition
            for each in self._extensions(self._resource.get("_criteria"), "filter")
            for condition in self._conditions(each.get("valueString", ""), topic)
        ]
        return {"type": topic.type, "code": topic.code, "conditions": conditions}

    def _conditions(self, text: str, topic: Topic) -> Iterator[tuple[str, list[str]]]:
        """Element and the values of which one must be there, for each parameter of a filter such as `Flag?status=x`."""
        type_, mark, query = text.rpartition("?")
        if mark and type_ != topic.type:
            self._refuse("criteria.extension", f"filters of this topic are of {topic.type}")
            return
        pairs = parse_qsl(query, keep_blank_values=True)
        if not pairs:
            self._refuse("criteria.extension", "a filter is written as a search: name=value", "value")
        for name, values in pairs:
            if name not in topic.filters:
                self._refuse(
                    "criteria.extension",
                    f"this topic can be narrowed down by {', '.join(topic.filters)}, by nothing else",
                )
            elif not all(values.split(",")):
                self._refuse("criteria.extension", f"{name} needs a value", "value")
            else:
                element = topic.filters[name]
                yield element, [self._value(name, value) for value in values.split(",")]

    def _value(self, name: str, value: str) -> str:
        if name != "patient":
            return value
        inside = value.removeprefix(f"{self._terms.fhir_base}/")
        return inside if "/" in inside else f"Patient/{inside}"

    def _extensions(self, element: Any, key: str) -> list[Tree]:
        listed = element.get("extension", ()) if isinstance(element, Mapping) else ()
        return [each for each in listed if each["url"] == self._urls[key]]

    def _body(self) -> Tree:
        kept = {name: value for name, value in self._resource.items() if name not in ("id", "meta", "error")}
        channel = {name: value for name, value in self._channel.items() if name not in ("header", "_header")}
        return kept | {"channel": channel}
