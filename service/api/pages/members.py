"""What people read for the names of the intake contract: one label and one unit each, in forms and in the record."""

from service.report.texts import _, later

# name -> label, unit
MEMBERS: dict[str, tuple[str, str]] = {
    "course_id": (later("Course id"), ""),
    "opened_at": (later("Decision for gradual closure"), ""),
    "cause": (later("Cause"), ""),
    "body_site": (later("Body site"), ""),
    "laterality": (later("Side"), ""),
    "length_mm": (later("Length of the wound"), "mm"),
    "reference_end": (later("Stations are counted from the end that is"), ""),
    "description": (later("Description"), ""),
    "family": (later("Family name"), ""),
    "given": (later("Given names"), ""),
    "birth_date": (later("Birth date"), ""),
    "gender": (later("Gender"), ""),
    "at": (later("When"), ""),
    "note": (later("Note"), ""),
    "anchors_per_side": (later("Anchors a side"), ""),
    "anchor_interval_mm": (later("Anchor interval"), "mm"),
    "setback_mm": (later("Setback of the anchors from the margin"), "mm"),
    "undermined_mm": (later("Undermined"), "mm"),
    "dressings_placed": (later("Dressings placed"), ""),
    "band": (later("Band"), ""),
    "station_mm": (later("Station"), "mm"),
    "rest_mark_mm": (later("Mark at rest"), "mm"),
    "mark_mm": (later("Mark"), "mm"),
    "mark_mm_before": (later("Mark before"), "mm"),
    "mark_mm_after": (later("Mark after"), "mm"),
    "tail_mm": (later("Tail"), "mm"),
    "gap_mm": (later("Gap"), "mm"),
    "gaps": (later("Gaps"), ""),
    "bands": (later("Bands"), ""),
    "device_status": (later("Device"), ""),
    "gaps_not_measured": (later("Gaps not measured, because"), ""),
    "bands_not_read": (later("Bands not read, because"), ""),
    "changed": (later("Dressing changed"), ""),
    "covers_anchors": (later("Dressing covers anchors"), ""),
    "placed": (later("Dressing pieces put in"), ""),
    "removed": (later("Dressing pieces taken out"), ""),
    "smallest_side_mm": (later("Smallest side of the smallest piece"), "mm"),
    "next_dressing_change_at": (later("Next dressing change"), ""),
    "vacuum_therapy_in_use": (later("Vacuum therapy in use"), ""),
    "skin": (later("Skin"), ""),
    "pain_0_10": (later("Pain, 0 to 10"), ""),
    "compartment_pressure_mmhg": (later("Compartment pressure"), "mmHg"),
    "diastolic_pressure_mmhg": (later("Diastolic pressure"), "mmHg"),
    "mobilised": (later("Mobilised"), ""),
    "anchors": (later("Anchors present, both sides"), ""),
    "anchors_removed": (later("Anchors taken out, both sides"), ""),
    "bands_removed": (later("Bands taken out"), ""),
    "dressings_removed": (later("Dressing pieces taken out"), ""),
    "reason": (later("Reason"), ""),
    "item": (later("Item"), ""),
    "found": (later("Found"), ""),
    "left_on_purpose": (later("Left on purpose"), ""),
    "unaccounted_escalated": (later("Not accounted for, escalated"), ""),
    "result": (later("Result"), ""),
    "closed_at": (later("Closed"), ""),
    "max_gap_mm": (later("Largest gap"), "mm"),
    "amends": (later("Corrects"), ""),
    "retracts": (later("Retracts"), ""),
}


def member_label(name: str) -> str:
    """The label of a name; the name itself where it has none."""
    return _(MEMBERS[name][0]) if name in MEMBERS else name


def member_unit(name: str) -> str:
    """The unit of a name; empty where it has none."""
    return MEMBERS[name][1] if name in MEMBERS else ""
