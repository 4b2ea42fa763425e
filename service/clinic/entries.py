"""The words of the bedside: a course of gradual closure and the entries charted about it.

Names and bounds are those of the intake contract, version 1. Every length is in millimetres, every time carries
its UTC offset. Numbers are `decimal.Decimal` and keep the digits that were read; `20.0` is an integer.
Rules that need more than one member (stations rising, marks near the rest mark, bands of the installation) stand
in `service.clinic.rules`, so that a document with many faults has all of them named.
"""

from datetime import date, datetime
from decimal import Decimal
from typing import Annotated, Any, Literal

from msgspec import Struct, to_builtins

from service.clinic.values import Between, Day, Id, Instant, Number, Rows, Station, Text, Truth, UpTo, Uri, Whole


class _Charted(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Values as read; `service.intake` reads them."""


class Identifier(_Charted, frozen=True, kw_only=True):
    """A business identifier of the sending hospital."""

    system: Annotated[Uri, UpTo(200)]
    value: Annotated[Text, UpTo(64)]


class Performer(_Charted, frozen=True, kw_only=True):
    """Who charted an entry."""

    identifier: Identifier
    display: Annotated[Text, UpTo(100)] | None = None


class Patient(_Charted, frozen=True, kw_only=True):
    """What was sent about the patient, no more."""

    identifier: Identifier
    family: Annotated[Text, UpTo(100)] | None = None
    given: Annotated[list[Annotated[Text, UpTo(100)]], Rows(1, 5)] | None = None
    birth_date: Day | None = None
    gender: Literal["male", "female", "other", "unknown"] | None = None


class Encounter(_Charted, frozen=True, kw_only=True):
    """The stay in which the wound is treated."""

    identifier: Identifier


class Wound(_Charted, frozen=True, kw_only=True):
    """The wound that is closed gradually."""

    cause: Literal["fasciotomy", "trauma", "surgical-dehiscence", "other"]
    body_site: Literal[
        "upper-arm", "forearm", "hand", "thigh", "lower-leg", "foot", "abdomen", "back", "flank", "buttock",
        "chest", "other",
    ]  # fmt: skip
    laterality: Literal["left", "right", "midline"] | None = None
    length_mm: Annotated[Number, Between(10, 1000)]
    reference_end: Literal["proximal", "distal", "cranial", "caudal", "medial", "lateral"]
    description: Annotated[Text, UpTo(500)] | None = None


class Course(_Charted, frozen=True, kw_only=True):
    """Everything about the gradual closure of one wound hangs on this."""

    course_id: Id
    patient: Patient
    encounter: Encounter | None = None
    wound: Wound
    opened_at: Instant


class GapReading(_Charted, frozen=True, kw_only=True):
    """Distance between the two skin margins at a station."""

    station_mm: Station
    gap_mm: Annotated[Number, Between(0, 400)]


class InstalledBand(_Charted, frozen=True, kw_only=True):
    """A band as it was put in: its place, its reference mark at rest and stretched, its free tail."""

    band: Annotated[Whole, Between(1, 100)]
    station_mm: Station
    rest_mark_mm: Annotated[Number, Between(2, 50)]
    mark_mm: Annotated[Number, Between(1, 200)]
    tail_mm: Annotated[Number, Between(0, 500)]


class BandReading(_Charted, frozen=True, kw_only=True):
    """A band's reference mark as read now."""

    band: Annotated[Whole, Between(1, 100)]
    mark_mm: Annotated[Number, Between(1, 200)]
    tail_mm: Annotated[Number, Between(0, 500)] | None = None


class BandSetting(_Charted, frozen=True, kw_only=True):
    """A band's reference mark before and after a reset."""

    band: Annotated[Whole, Between(1, 100)]
    mark_mm_before: Annotated[Number, Between(1, 200)] | None = None
    mark_mm_after: Annotated[Number, Between(1, 200)]
    tail_mm: Annotated[Number, Between(0, 500)] | None = None


class Dressing(_Charted, frozen=True, kw_only=True):
    """What was charted about the dressing."""

    changed: Truth
    covers_anchors: Truth | None = None
    placed: Annotated[Whole, Between(0, 50)] | None = None
    removed: Annotated[Whole, Between(0, 50)] | None = None
    smallest_side_mm: Annotated[Number, Between(1, 500)] | None = None


class DevicesPresent(_Charted, frozen=True, kw_only=True):
    """Anchors (both sides together) and bands counted at a check."""

    anchors: Annotated[Whole, Between(0, 400)]
    bands: Annotated[Whole, Between(0, 200)]


SkinSign = Literal[
    "intact", "blanching", "blister", "erosion", "anchor-pull-through", "necrosis", "infection-signs"
]  # fmt: skip
Gaps = Annotated[list[GapReading], Rows(1, 100)]


class _Entry(_Charted, frozen=True, kw_only=True):
    entry_id: Id
    at: Instant
    performer: Performer
    note: Annotated[Text, UpTo(2000)] | None = None


class Installation(_Entry, frozen=True, kw_only=True):
    """Anchors and bands go in."""

    kind: Literal["installation"]
    anchors_per_side: Annotated[Whole, Between(1, 100)]
    anchor_interval_mm: Annotated[Number, Between(5, 30)]
    setback_mm: Annotated[Number, Between(5, 30)]
    undermined_mm: Annotated[Number, Between(0, 50)] | None = None
    bands: Annotated[list[InstalledBand], Rows(1, 100)]
    gaps: Gaps
    dressings_placed: Annotated[Whole, Between(0, 50)] | None = None


class Check(_Entry, frozen=True, kw_only=True):
    """One bedside look at the wound."""

    kind: Literal["check"]
    device_status: Literal["in-place", "partly-in-place", "dislodged", "removed"]
    gaps: Gaps | None = None
    gaps_not_measured: Annotated[Text, UpTo(200)] | None = None
    bands: Annotated[list[BandReading], Rows(1, 100)] | None = None
    bands_not_read: Annotated[Text, UpTo(200)] | None = None
    dressing: Dressing | None = None
    next_dressing_change_at: Instant | None = None
    vacuum_therapy_in_use: Truth | None = None
    skin: Annotated[list[SkinSign], Rows(1)] | None = None
    pain_0_10: Annotated[Whole, Between(0, 10)] | None = None
    compartment_pressure_mmhg: Annotated[Number, Between(0, 200)] | None = None
    diastolic_pressure_mmhg: Annotated[Number, Between(20, 200)] | None = None
    mobilised: Truth | None = None
    devices_present: DevicesPresent | None = None


class Reset(_Entry, frozen=True, kw_only=True):
    """Bands are brought back to their target stretch."""

    kind: Literal["reset"]
    bands: Annotated[list[BandSetting], Rows(1, 100)]


class Removal(_Entry, frozen=True, kw_only=True):
    """Anchors, bands and dressings come out."""

    kind: Literal["removal"]
    anchors_removed: Annotated[Whole, Between(0, 400)]
    bands_removed: Annotated[Whole, Between(0, 200)]
    dressings_removed: Annotated[Whole, Between(0, 100)]
    reason: Literal["closed", "intolerance", "infection", "revision", "other"]


class Reconciliation(_Entry, frozen=True, kw_only=True):
    """What became of items that a removal or a check did not account for."""

    kind: Literal["reconciliation"]
    item: Literal["anchors", "bands", "dressings"]
    found: Annotated[Whole, Between(0, 400)]
    left_on_purpose: Annotated[Whole, Between(0, 400)]
    unaccounted_escalated: Annotated[Whole, Between(0, 400)]
    responsible: Performer
    reason: Annotated[Text, UpTo(500)]


class Outcome(_Entry, frozen=True, kw_only=True):
    """How the course ended."""

    kind: Literal["outcome"]
    result: Literal[
        "primary-closure", "partial-closure-and-graft", "graft", "flap", "secondary-healing", "abandoned", "died"
    ]  # fmt: skip
    closed_at: Instant | None = None


ClinicalEntry = Installation | Check | Reset | Removal | Reconciliation | Outcome


class Amendment(_Entry, frozen=True, kw_only=True):
    """A correction: the whole entry as it should have been charted."""

    kind: Literal["amendment"]
    amends: Id
    entry: ClinicalEntry
    reason: Annotated[Text, UpTo(500)]


class Retraction(_Entry, frozen=True, kw_only=True):
    """An entry that should not count; it stays on record."""

    kind: Literal["retraction"]
    retracts: Id
    reason: Annotated[Text, UpTo(500)]


Correction = Amendment | Retraction
Entry = ClinicalEntry | Correction
CLINICAL_KINDS = ("installation", "check", "reset", "removal", "reconciliation", "outcome")
KINDS = (*CLINICAL_KINDS, "amendment", "retraction")


def members_of(charted: Course | Entry) -> dict[str, Any]:
    """What was charted, by name and in the order of the contract; what was not is left out."""
    said: dict[str, Any] = to_builtins(charted, builtin_types=(datetime, date, Decimal))
    return said
