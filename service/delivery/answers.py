"""What the other server says became of each entry of a transaction (http.html#transaction-response)."""

import re
from collections.abc import Sequence
from typing import Any, NamedTuple

import orjson

from service.delivery.destination import SHARED
from service.delivery.faults import Refused, Temporary
from service.delivery.gathering import Outgoing
from service.delivery.judging import refused_entry
from service.store.delivered_rows import Delivered

_LOCATION = re.compile(r"(?:.*/)?(?P<type>[A-Z][A-Za-z]+)/(?P<id>[A-Za-z0-9.-]{1,64})(?:/_history/[^/]+)?/?")
NO_ID = ""


class Became(NamedTuple):
    """A resource at the destination after an answer; `settled`: it says what we sent. An empty id was not told."""

    row: Delivered
    settled: bool


def read_answer(body: bytes, sent: Sequence[Outgoing], ids: Sequence[str | None]) -> list[Became]:
    """What became of each resource, in order; `ids`: those it has there already, None where the server gives one.

    Temporary for what is no answer of a FHIR server to a transaction; Refused where an entry was not stored although
    the whole was called a success.
    """
    statuses = [_response(entry) for entry in _entries(body)]
    if len(statuses) != len(sent):
        told = f"{len(sent)} entries sent, {len(statuses)} answered"
        raise Refused(told, told, 200)
    for place, (status, response) in enumerate(statuses):
        if not 200 <= status < 300:
            raise refused_entry(place, status, response.get("outcome"))
    return [_became(one, own, *answer) for one, own, answer in zip(sent, ids, statuses, strict=True)]


def _entries(body: bytes) -> list[dict[str, Any]]:
    try:
        found = orjson.loads(body)
    except orjson.JSONDecodeError:
        found = None
    entries = found.get("entry", []) if isinstance(found, dict) and found.get("resourceType") == "Bundle" else None
    if not isinstance(entries, list):
        raise Temporary("a success without the answer to a transaction")
    return entries


def _response(entry: Any) -> tuple[int, dict[str, Any]]:
    response = entry.get("response") if isinstance(entry, dict) else None
    text = str(response.get("status", "")) if isinstance(response, dict) else ""
    if not isinstance(response, dict) or not text[:3].isdecimal():
        told = "an entry of the answer has no status"
        raise Refused(told, told, 200)
    resource = entry.get("resource")
    own = resource.get("id") if isinstance(resource, dict) else None
    return int(text[:3]), response | ({"id": own} if isinstance(own, str) else {})


def _became(one: Outgoing, own: str | None, status: int, response: dict[str, Any]) -> Became:
    type_, id_ = one.key
    if own is not None:
        return Became(Delivered(type_, id_, own, one.version, theirs=False), settled=True)
    form = _LOCATION.fullmatch(str(response.get("location", "")))
    given = form["id"] if form and form["type"] == type_ else response.get("id", NO_ID)
    if status == 201:
        return Became(Delivered(type_, id_, given, one.version, theirs=False), settled=True)
    # It was there before: sent by us without our hearing of it, or the hospital's own.
    theirs = type_ in SHARED
    return Became(Delivered(type_, id_, given, 0, theirs), settled=theirs)
