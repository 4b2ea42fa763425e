"""The measures of the long CSV: which member of an entry each one is, and how its value reads.

The names are those of the intake contract. Members of objects keep their own names (`changed`, `smallest_side_mm`);
`devices_present.anchors`, `devices_present.bands`, `performer_display` and `responsible_system`, `responsible_value`,
`responsible_display` name what would be ambiguous. The entry inside of an amendment has its measures behind `entry.`:
`entry.kind`, `entry.at`, `entry.performer_system`, `entry.performer_value`, `entry.mark_mm` ...; its entry_id is
what is amended.
"""

from dataclasses import dataclass
from typing import Literal

Reads = Literal["number", "text", "truth"]
Repeats = Literal["once", "list", "gap", "band"]


@dataclass(frozen=True, slots=True)
class Measure:
    """Where a value belongs: a member of the entry, one of a list, or a member of a gap or a band."""

    path: tuple[str, ...]
    reads: Reads
    repeats: Repeats = "once"


def _numbers(*names: str, within: str | None = None) -> dict[str, Measure]:
    return {name: Measure((within, name) if within else (name,), "number") for name in names}


def _texts(*names: str) -> dict[str, Measure]:
    return {name: Measure((name,), "text") for name in names}


def _of_band(*names: str) -> dict[str, Measure]:
    return {name: Measure((name,), "number", "band") for name in names}


PERFORMER = {
    "performer_system": Measure(("performer", "identifier", "system"), "text"),
    "performer_value": Measure(("performer", "identifier", "value"), "text"),
}
COMMON = {"performer_display": Measure(("performer", "display"), "text"), **_texts("note")}
GAPS = {"gap_mm": Measure(("gap_mm",), "number", "gap")}
DRESSING = {
    "changed": Measure(("dressing", "changed"), "truth"),
    "covers_anchors": Measure(("dressing", "covers_anchors"), "truth"),
    **_numbers("placed", "removed", "smallest_side_mm", within="dressing"),
}
MEASURES: dict[str, dict[str, Measure]] = {
    "installation": {
        **_numbers("anchors_per_side", "anchor_interval_mm", "setback_mm", "undermined_mm", "dressings_placed"),
        **GAPS,
        **_of_band("rest_mark_mm", "mark_mm", "tail_mm"),
        **COMMON,
    },
    "check": {
        **_texts("device_status", "gaps_not_measured", "bands_not_read"),
        **GAPS,
        **_of_band("mark_mm", "tail_mm"),
        **DRESSING,
        **_texts("next_dressing_change_at"),
        "vacuum_therapy_in_use": Measure(("vacuum_therapy_in_use",), "truth"),
        "skin": Measure(("skin",), "text", "list"),
        **_numbers("pain_0_10", "compartment_pressure_mmhg", "diastolic_pressure_mmhg"),
        "mobilised": Measure(("mobilised",), "truth"),
        "devices_present.anchors": Measure(("devices_present", "anchors"), "number"),
        "devices_present.bands": Measure(("devices_present", "bands"), "number"),
        **COMMON,
    },
    "reset": {**_of_band("mark_mm_before", "mark_mm_after", "tail_mm"), **COMMON},
    "removal": {**_numbers("anchors_removed", "bands_removed", "dressings_removed"), **_texts("reason"), **COMMON},
    "reconciliation": {
        **_texts("item"),
        **_numbers("found", "left_on_purpose", "unaccounted_escalated"),
        "responsible_system": Measure(("responsible", "identifier", "system"), "text"),
        "responsible_value": Measure(("responsible", "identifier", "value"), "text"),
        "responsible_display": Measure(("responsible", "display"), "text"),
        **_texts("reason"),
        **COMMON,
    },
    "outcome": {**_texts("result", "closed_at"), **COMMON},
    "amendment": {**_texts("amends", "reason"), **COMMON},
    "retraction": {**_texts("retracts", "reason"), **COMMON},
}
AMENDED = {**_texts("kind", "at"), **PERFORMER}
AMENDED_PREFIX = "entry."
STATION_OF_BAND = frozenset({"installation"})  # only an installation says where a band lies

COURSE_COLUMNS: dict[str, Measure] = {
    "course_id": Measure(("course_id",), "text"),
    "patient_system": Measure(("patient", "identifier", "system"), "text"),
    "patient_value": Measure(("patient", "identifier", "value"), "text"),
    "family": Measure(("patient", "family"), "text"),
    "given": Measure(("patient", "given"), "text", "list"),  # several separated by a semicolon
    "birth_date": Measure(("patient", "birth_date"), "text"),
    "gender": Measure(("patient", "gender"), "text"),
    "encounter_system": Measure(("encounter", "identifier", "system"), "text"),
    "encounter_value": Measure(("encounter", "identifier", "value"), "text"),
    "cause": Measure(("wound", "cause"), "text"),
    "body_site": Measure(("wound", "body_site"), "text"),
    "laterality": Measure(("wound", "laterality"), "text"),
    "length_mm": Measure(("wound", "length_mm"), "number"),
    "reference_end": Measure(("wound", "reference_end"), "text"),
    "description": Measure(("wound", "description"), "text"),
    "opened_at": Measure(("opened_at",), "text"),
}
REQUIRED_COURSE_COLUMNS = (
    "course_id", "patient_system", "patient_value", "cause", "body_site", "length_mm", "reference_end", "opened_at",
)  # fmt: skip
READING_COLUMNS = (
    "course_id", "entry_id", "kind", "at", "performer_system", "performer_value", "measure", "station_mm", "band",
    "value",
)  # fmt: skip
