"""What goes to a destination next: the waiting writes of one course, as the course stands now.

Several waiting writes become one Bundle of the newest state. Nothing is lost by that: a version that was superseded
before it could be sent stays in the history here, and the receiver never sees an older state after a newer one.
Everything is read in one state of the database, so that the versions fit together.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from service import strict_json
from service.delivery.destination import SHARED, Destination
from service.delivery.ways import Turn
from service.fhir import wire
from service.store import Reading
from service.store.delivered_rows import Delivered, delivered
from service.store.outbox_rows import OutboxRow, waiting_of
from service.store.receiving import Held, held

Tree = dict[str, Any]
Key = tuple[str, str]  # type, id
Prepare = Callable[[Reading, Tree], Tree]  # a resource as stored to as it leaves, out of the same state
_OWN = re.compile(r"(?P<type>[A-Z][A-Za-z]+)/(?P<id>[A-Za-z0-9.-]{1,64})(?:/_history/[A-Za-z0-9.-]{1,64})?")


class Outgoing(NamedTuple):
    """A resource to be sent, as stored, and what is known of it at the destination."""

    key: Key
    version: int
    resource: Tree
    known: Delivered | None


@dataclass(slots=True)
class Parcel(Turn):
    """What one Bundle will say. `identifiers`: business identifiers of resources that are referred to and not sent."""

    outgoing: dict[Key, Outgoing] = field(default_factory=dict)
    known: dict[Key, Delivered] = field(default_factory=dict)
    identifiers: dict[Key, Tree] = field(default_factory=dict)

    @property
    def told(self) -> list[str]:
        """References to every version that will be in the Bundle."""
        return [f"{type_}/{id_}/_history/{one.version}" for (type_, id_), one in sorted(self.outgoing.items())]


def key_of(reference: str) -> Key | None:
    """Type and id of a reference to a resource of ours, a version of it included."""
    form = _OWN.fullmatch(reference)
    return (form["type"], form["id"]) if form else None


def referred(value: Any) -> Iterator[str]:
    """Every literal reference in a resource: what has the form of a Reference, in the types sent nothing else has."""
    if isinstance(value, dict):
        text = value.get("reference")
        if isinstance(text, str):
            yield text
        for member in value.values():
            yield from referred(member)
    elif isinstance(value, list):
        for member in value:
            yield from referred(member)


def as_stored(_reading: Reading, resource: Tree) -> Tree:
    """Nothing is added to what leaves."""
    return resource


def gather(reading: Reading, destination: Destination, patient: str, prepare: Prepare = as_stored) -> Parcel | None:
    """The parcel of the course whose turn it is; None where nothing of this patient may be sent.

    `prepare` puts into a resource what a server that cannot ask here would miss; ids and references stay.
    """
    rows = waiting_of(reading.connection, destination.site, destination.name, patient)
    if not rows:
        return None
    parcel = Parcel(rows[0].course_id, patient, rows)
    wanted = _wanted(reading, rows)
    charted = _charted_identifiers(reading, parcel.course_id)
    seen: set[Key] = set()
    frontier = wanted
    while frontier:
        seen |= frontier
        found = held(reading, sorted(frontier))
        parcel.known |= delivered(reading.connection, destination.site, destination.name, frontier)
        frontier = {key for one in found.values() for key in _take(parcel, destination, one, wanted, charted)} - seen
    prepared = {key: one._replace(resource=prepare(reading, one.resource)) for key, one in parcel.outgoing.items()}
    parcel.outgoing = prepared
    return parcel


def _wanted(reading: Reading, rows: Iterable[OutboxRow]) -> set[Key]:
    found: set[Key] = set()
    for row in rows:
        found |= set(reading.current(row.course_id) if row.keys is None else row.keys)
    return found


def _take(
    parcel: Parcel, destination: Destination, one: Held, wanted: set[Key], charted: Mapping[str, list[Tree]]
) -> Iterable[Key]:
    """Put a resource into the parcel where it has to be sent; what it refers to then has to be there as well."""
    key = one.type, one.id
    resource = wire.read(one.body)
    if not destination.sends(resource):
        parcel.identifiers[key] = _identifier(resource, charted.get(one.type, []))
        return ()
    known = parcel.known.get(key)
    if known is None or _is_behind(known, one.version, key in wanted):
        parcel.outgoing[key] = Outgoing(key, one.version, resource, known)
    elif key not in wanted:
        return ()
    return [found for text in referred(resource) if (found := key_of(text)) is not None]


def _is_behind(known: Delivered, version: int, wanted: bool) -> bool:
    """Whether what the destination has is to be written over."""
    if known.theirs:
        return False
    return known.version == 0 or (wanted and known.version != version)


def _charted_identifiers(reading: Reading, course_id: str) -> dict[str, list[Tree]]:
    """The identifiers under which Patient and Encounter were charted: those that the hospital's own have."""
    row = reading.course(course_id)
    header = strict_json.read(row.header) if row else {}
    return {type_: [header[type_.lower()]["identifier"]] for type_ in SHARED if header.get(type_.lower()) is not None}


def _identifier(resource: Tree, charted: list[Tree]) -> Tree:
    """The business identifier to refer by: the charted one where the resource has it, else its first, if any."""
    listed = resource.get("identifier", [])
    plain = [
        {"system": each["system"], "value": each["value"]}
        for each in (listed if isinstance(listed, list) else [listed])
        if "system" in each and "value" in each
    ]
    named = [each for each in plain if each in charted]
    return (named or plain or [{}])[0]
