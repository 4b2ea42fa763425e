"""The words of the bedside: a course of gradual closure and the entries charted about it.

Names and bounds are those of the intake contract, version 1. Every length is in millimetres, every time carries
its UTC offset. Numbers are `decimal.Decimal` and keep the digits that were read; `20.0` is an integer.
Rules that need more than one member (stations rising, marks near the rest mark, bands of the installation) stand
in `service.clinic.rules`, so that a document with many faults has all of them named.
"""

import re
from datetime import date, datetime
from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Discriminator, Field, TypeAdapter
from pydantic_core import PydanticCustomError

RFC3339 = re.compile(
    r"(\d{4}-\d{2}-\d{2})[Tt](\d{2}:\d{2}:\d{2})(\.\d+)?([Zz]|[+-](?:[01]\d|2[0-3]):[0-5]\d)", re.ASCII
)
CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]")
ABSOLUTE_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.\-]*:[^\s<>\"{}|\\^`\x00-\x20]+")
CALENDAR_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)


def read_time(value: Any) -> datetime:
    """An RFC 3339 time with seconds and offset as an aware datetime; the offset is kept as charted."""
    if isinstance(value, datetime):
        return value
    match = RFC3339.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        raise PydanticCustomError("time", "must be an RFC 3339 time with seconds and a UTC offset")
    day, clock, fraction, offset = match.groups()
    microseconds = (fraction or ".0")[:7]
    try:
        read = datetime.fromisoformat(f"{day}T{clock}{microseconds}{offset.upper().replace('Z', '+00:00')}")
    except ValueError as fault:
        raise PydanticCustomError("time", "is not a time of the calendar and clock") from fault
    if not date.min.year < read.year < date.max.year:  # in another zone it could lie where no calendar reaches
        raise PydanticCustomError("time", "lies in the first or the last year that can be written")
    return read


def read_day(value: Any) -> date:
    """A day written YYYY-MM-DD."""
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    if not isinstance(value, str) or not CALENDAR_DAY.fullmatch(value):
        raise PydanticCustomError("day", "must be a day written YYYY-MM-DD")
    try:
        return date.fromisoformat(value)
    except ValueError as fault:
        raise PydanticCustomError("day", "is not a day of the calendar") from fault


def read_number(value: Any) -> Decimal:
    """A JSON number as the decimal that was written; text and true/false are no numbers."""
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        raise PydanticCustomError("number", "must be a number")
    return Decimal(value)


def read_integer(value: Any) -> int:
    """A JSON number without a fraction; 20.0 is 20."""
    number = read_number(value)
    if number != number.to_integral_value():
        raise PydanticCustomError("integer", "must be a whole number")
    return int(number)


def _plain_text(value: str) -> str:
    if not value.strip():
        raise PydanticCustomError("blank", "must not be blank")
    if CONTROL.search(value):
        raise PydanticCustomError("control", "must not hold control characters other than newline and tab")
    return value


def _absolute(value: str) -> str:
    if not ABSOLUTE_URI.fullmatch(value):
        raise PydanticCustomError("uri", "must be an absolute URI")
    return value


def upto(longest: int) -> Any:
    """At most so many characters."""
    return Field(max_length=longest)


def between(low: int, high: int) -> Any:
    """From `low` to `high`, both included."""
    return Field(ge=low, le=high)


Text = Annotated[str, Field(strict=True, min_length=1), AfterValidator(_plain_text)]
Number = Annotated[Decimal, BeforeValidator(read_number)]
Whole = Annotated[int, BeforeValidator(read_integer)]
Instant = Annotated[datetime, BeforeValidator(read_time)]
Day = Annotated[date, BeforeValidator(read_day)]
# `\z` is the library's own; in JSON Schema, whose patterns are those of ECMAScript, the end of a text is `$`.
_ID_IN_SCHEMA = {"pattern": r"^[A-Za-z0-9\-.]{1,64}$"}
Id = Annotated[str, Field(strict=True, pattern=r"^[A-Za-z0-9\-.]{1,64}\z", json_schema_extra=_ID_IN_SCHEMA)]
Truth = Annotated[bool, Field(strict=True)]
Station = Annotated[Number, between(0, 1000)]


class _Charted(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)


class Identifier(_Charted):
    """A business identifier of the sending hospital."""

    system: Annotated[str, Field(strict=True, min_length=1, max_length=200), AfterValidator(_absolute)]
    value: Annotated[Text, upto(64)]


class Performer(_Charted):
    """Who charted an entry."""

    identifier: Identifier
    display: Annotated[Text, upto(100)] | None = None


class Patient(_Charted):
    """What was sent about the patient, no more."""

    identifier: Identifier
    family: Annotated[Text, upto(100)] | None = None
    given: Annotated[list[Annotated[Text, upto(100)]], Field(min_length=1, max_length=5)] | None = None
    birth_date: Day | None = None
    gender: Literal["male", "female", "other", "unknown"] | None = None


class Encounter(_Charted):
    """The stay in which the wound is treated."""

    identifier: Identifier


class Wound(_Charted):
    """The wound that is closed gradually."""

    cause: Literal["fasciotomy", "trauma", "surgical-dehiscence", "other"]
    body_site: Literal[
        "upper-arm", "forearm", "hand", "thigh", "lower-leg", "foot", "abdomen", "back", "flank", "buttock",
        "chest", "other",
    ]  # fmt: skip
    laterality: Literal["left", "right", "midline"] | None = None
    length_mm: Annotated[Number, between(10, 1000)]
    reference_end: Literal["proximal", "distal", "cranial", "caudal", "medial", "lateral"]
    description: Annotated[Text, upto(500)] | None = None


class Course(_Charted):
    """Everything about the gradual closure of one wound hangs on this."""

    course_id: Id
    patient: Patient
    encounter: Encounter | None = None
    wound: Wound
    opened_at: Instant


class GapReading(_Charted):
    """Distance between the two skin margins at a station."""

    station_mm: Station
    gap_mm: Annotated[Number, between(0, 400)]


class InstalledBand(_Charted):
    """A band as it was put in: its place, its reference mark at rest and stretched, its free tail."""

    band: Annotated[Whole, between(1, 100)]
    station_mm: Station
    rest_mark_mm: Annotated[Number, between(2, 50)]
    mark_mm: Annotated[Number, between(1, 200)]
    tail_mm: Annotated[Number, between(0, 500)]


class BandReading(_Charted):
    """A band's reference mark as read now."""

    band: Annotated[Whole, between(1, 100)]
    mark_mm: Annotated[Number, between(1, 200)]
    tail_mm: Annotated[Number, between(0, 500)] | None = None


class BandSetting(_Charted):
    """A band's reference mark before and after a reset."""

    band: Annotated[Whole, between(1, 100)]
    mark_mm_before: Annotated[Number, between(1, 200)] | None = None
    mark_mm_after: Annotated[Number, between(1, 200)]
    tail_mm: Annotated[Number, between(0, 500)] | None = None


class Dressing(_Charted):
    """What was charted about the dressing."""

    changed: Truth
    covers_anchors: Truth | None = None
    placed: Annotated[Whole, between(0, 50)] | None = None
    removed: Annotated[Whole, between(0, 50)] | None = None
    smallest_side_mm: Annotated[Number, between(1, 500)] | None = None


class DevicesPresent(_Charted):
    """Anchors (both sides together) and bands counted at a check."""

    anchors: Annotated[Whole, between(0, 400)]
    bands: Annotated[Whole, between(0, 200)]


SkinSign = Literal[
    "intact", "blanching", "blister", "erosion", "anchor-pull-through", "necrosis", "infection-signs"
]  # fmt: skip
Gaps = Annotated[list[GapReading], Field(min_length=1, max_length=100)]


class _Entry(_Charted):
    entry_id: Id
    at: Instant
    performer: Performer
    note: Annotated[Text, upto(2000)] | None = None


class Installation(_Entry):
    """Anchors and bands go in."""

    kind: Literal["installation"]
    anchors_per_side: Annotated[Whole, between(1, 100)]
    anchor_interval_mm: Annotated[Number, between(5, 30)]
    setback_mm: Annotated[Number, between(5, 30)]
    undermined_mm: Annotated[Number, between(0, 50)] | None = None
    bands: Annotated[list[InstalledBand], Field(min_length=1, max_length=100)]
    gaps: Gaps
    dressings_placed: Annotated[Whole, between(0, 50)] | None = None


class Check(_Entry):
    """One bedside look at the wound."""

    kind: Literal["check"]
    device_status: Literal["in-place", "partly-in-place", "dislodged", "removed"]
    gaps: Gaps | None = None
    gaps_not_measured: Annotated[Text, upto(200)] | None = None
    bands: Annotated[list[BandReading], Field(min_length=1, max_length=100)] | None = None
    bands_not_read: Annotated[Text, upto(200)] | None = None
    dressing: Dressing | None = None
    next_dressing_change_at: Instant | None = None
    vacuum_therapy_in_use: Truth | None = None
    skin: Annotated[list[SkinSign], Field(min_length=1)] | None = None
    pain_0_10: Annotated[Whole, between(0, 10)] | None = None
    compartment_pressure_mmhg: Annotated[Number, between(0, 200)] | None = None
    diastolic_pressure_mmhg: Annotated[Number, between(20, 200)] | None = None
    mobilised: Truth | None = None
    devices_present: DevicesPresent | None = None


class Reset(_Entry):
    """Bands are brought back to their target stretch."""

    kind: Literal["reset"]
    bands: Annotated[list[BandSetting], Field(min_length=1, max_length=100)]


class Removal(_Entry):
    """Anchors, bands and dressings come out."""

    kind: Literal["removal"]
    anchors_removed: Annotated[Whole, between(0, 400)]
    bands_removed: Annotated[Whole, between(0, 200)]
    dressings_removed: Annotated[Whole, between(0, 100)]
    reason: Literal["closed", "intolerance", "infection", "revision", "other"]


class Reconciliation(_Entry):
    """What became of items that a removal or a check did not account for."""

    kind: Literal["reconciliation"]
    item: Literal["anchors", "bands", "dressings"]
    found: Annotated[Whole, between(0, 400)]
    left_on_purpose: Annotated[Whole, between(0, 400)]
    unaccounted_escalated: Annotated[Whole, between(0, 400)]
    responsible: Performer
    reason: Annotated[Text, upto(500)]


class Outcome(_Entry):
    """How the course ended."""

    kind: Literal["outcome"]
    result: Literal[
        "primary-closure", "partial-closure-and-graft", "graft", "flap", "secondary-healing", "abandoned", "died"
    ]  # fmt: skip
    closed_at: Instant | None = None


ClinicalEntry = Annotated[Installation | Check | Reset | Removal | Reconciliation | Outcome, Discriminator("kind")]


class Amendment(_Entry):
    """A correction: the whole entry as it should have been charted."""

    kind: Literal["amendment"]
    amends: Id
    entry: ClinicalEntry
    reason: Annotated[Text, upto(500)]


class Retraction(_Entry):
    """An entry that should not count; it stays on record."""

    kind: Literal["retraction"]
    retracts: Id
    reason: Annotated[Text, upto(500)]


Correction = Amendment | Retraction
Entry = Annotated[
    Installation | Check | Reset | Removal | Reconciliation | Outcome | Amendment | Retraction,
    Discriminator("kind"),
]
ENTRY: TypeAdapter[Any] = TypeAdapter(Entry, config=ConfigDict(defer_build=True))
CLINICAL_KINDS = ("installation", "check", "reset", "removal", "reconciliation", "outcome")
KINDS = (*CLINICAL_KINDS, "amendment", "retraction")
