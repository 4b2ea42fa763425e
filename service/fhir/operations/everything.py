"""`$everything` of a patient (http://hl7.org/fhir/R4/patient-operation-everything.html): one search after the other.

One search for each resource type that knows its patient, in a fixed order, each in the order of arrival; a cursor
names the type and the last row, so that pages neither repeat nor hide a row while others write. `start` and `end` speak
of the time of care, `_since` of the time of record, at or after: who polls may meet a row twice, and misses none.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from service.fhir.operations.inputs import Inputs, Refused
from service.fhir.r4 import resource_types
from service.search.criteria import Criterion, Cursor, DateCriterion, IdCriterion, ReferenceCriterion, Setting
from service.search.dates import OPEN_HIGH, DateBound, DateRange, date_range
from service.search.parameters import parameters
from service.search.query import MAX_COUNT, Query

CURSOR = "_cursor"
INPUTS = ("start", "end", "_since", "_type", "_count", CURSOR, "_format")
# What stands over time, or need not say when: it belongs to every range of dates. Of the others each says its time of
# care by its main date; a Provenance by when something happened, not by when it was recorded.
_ALWAYS = frozenset({"Patient", "Encounter", "BodyStructure", "Condition", "Goal", "Device", "DeviceUseStatement"})
_OTHER_DATE = frozenset({"Provenance"})


class Place(NamedTuple):
    """Where the next page begins: a type, and the row of it that was last."""

    type: str
    arrival: int


@dataclass(frozen=True, slots=True)
class Everything:
    """One parsed request."""

    patient: str
    types: Sequence[str]
    supporting: Sequence[str]  # types of no patient that may be included where they are referred to
    count: int
    care: tuple[DateBound, ...]
    since: DateRange | None
    after: Place | None
    used: tuple[tuple[str, str], ...]
    ignored: tuple[str, ...]

    def queries(self) -> Iterator[Query]:
        """The searches that are left, the first from where the page before ended."""
        types = list(self.types)
        if self.after is not None:
            types = types[types.index(self.after.type) :]
        for type_ in types:
            cursor = Cursor(self.after.arrival, self.after.arrival) if self.after and type_ == self.after.type else None
            yield Query(type_, self._criteria(type_), count=self.count, total="none", cursor=cursor)

    def counting(self) -> Iterator[Query]:
        """One search for each type that counts what there is."""
        return (Query(type_, self._criteria(type_), count_only=True) for type_ in self.types)

    def _criteria(self, type_: str) -> tuple[Criterion, ...]:
        whose: Criterion = ReferenceCriterion("patient", (self.patient,), ())
        found = [IdCriterion((self.patient,)) if type_ == "Patient" else whose]
        if self.since is not None:
            found.append(DateCriterion("last_updated", (DateBound("ge", *self.since),)))
        if type_ not in _ALWAYS:
            slot = "other_date" if type_ in _OTHER_DATE else "date"
            found += [DateCriterion(slot, (bound,)) for bound in self.care]  # type: ignore[arg-type]  # both are slots
        return tuple(found)


def everything(patient: str, asked: Inputs, setting: Setting) -> Everything:
    """Read the inputs. Raises Refused for what cannot be served."""
    types, after = _types(asked), _place(asked.text(CURSOR))
    if after is not None and after.type not in types:
        raise Refused(f"{CURSOR}: not a link of this server")
    since = asked.text("_since")
    used = [(name, str(value)) for name, value in asked.pairs if name in INPUTS]
    return Everything(
        patient,
        types,
        _supporting(asked),
        _count(asked.text("_count")),
        tuple(_care(asked, setting)),
        _range("_since", since, setting) if since else None,
        after,
        tuple(used),
        tuple(name for name in asked.names if name not in INPUTS),
    )


def written(place: Place) -> str:
    """A place as the value of the cursor."""
    return f"{place.type}.{place.arrival}"


def _place(text: str | None) -> Place | None:
    if text is None:
        return None
    type_, _, arrival = text.partition(".")
    if not (arrival.isascii() and arrival.isdigit() and len(arrival) < 19):
        raise Refused(f"{CURSOR}: not a link of this server")
    return Place(type_, int(arrival))


def _types(asked: Inputs) -> list[str]:
    """The types to be given, Patient first; those of R4 that are not held here have nothing to give."""
    held = ["Patient", *(type_ for type_, of_type in parameters().items() if "patient" in of_type)]
    wanted = _wanted(asked)
    return [type_ for type_ in held if not wanted or type_ in wanted]


def _supporting(asked: Inputs) -> list[str]:
    wanted = _wanted(asked)
    of_nobody = [type_ for type_, of_type in parameters().items() if type_ != "Patient" and "patient" not in of_type]
    return [type_ for type_ in of_nobody if not wanted or type_ in wanted]


def _wanted(asked: Inputs) -> set[str]:
    wanted = {type_ for text in asked.all("_type") for type_ in str(text).split(",")}
    if wanted - resource_types():
        raise Refused("_type: names a type that R4 does not have")
    return wanted


def _count(text: str | None) -> int:
    """Rows of a page. Unasked, as many as this server gives at once: the whole record, as far as it goes."""
    if text is None:
        return MAX_COUNT
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise Refused("_count: not a whole number of 0 or more")
    return min(int(text), MAX_COUNT)


def _care(asked: Inputs, setting: Setting) -> Iterator[DateBound]:
    start, end = asked.text("start"), asked.text("end")
    if start:
        low = _range("start", start, setting).low
        yield DateBound("gt", low, low)  # it ends after the start, or has no end
    if end:
        high = _range("end", end, setting).high
        yield DateBound("lt", high, OPEN_HIGH)


def _range(name: str, text: str, setting: Setting) -> DateRange:
    try:
        return date_range(text.replace(" ", "+"), setting.zone)
    except ValueError as fault:
        raise Refused(f"{name}: {fault}") from fault


def referred(resource: Mapping[str, Any]) -> Iterator[str]:
    """The relative references in a resource, wherever they stand."""
    for key, value in resource.items():
        if key == "reference" and isinstance(value, str):
            yield value
        for inner in value if isinstance(value, list) else (value,):
            if isinstance(inner, dict):
                yield from referred(inner)
