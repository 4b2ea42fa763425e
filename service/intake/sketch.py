"""What can still be read of a course or an entry with faults: the same attribute names, None where unreadable.

Rules run over a sketch, so that a document with a misspelt name in one place has its impossible station in another
place named in the same answer.
"""

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

from service.clinic import entries, values

NUMBERS = ("station_mm", "gap_mm", "rest_mark_mm", "mark_mm", "mark_mm_before", "mark_mm_after", "tail_mm")


def sketch_course(sent: Any) -> SimpleNamespace:
    """What the rules read of a course."""
    course = sent if isinstance(sent, dict) else {}
    wound, patient = _object(course.get("wound")), _object(course.get("patient"))
    return SimpleNamespace(
        opened_at=_read(values.read_time, course.get("opened_at")),
        wound=SimpleNamespace(length_mm=_read(values.read_number, wound.get("length_mm"))),
        patient=SimpleNamespace(birth_date=_read(values.read_day, patient.get("birth_date"))),
    )


def sketch_entry(sent: Any) -> SimpleNamespace | None:
    """What the rules read of an entry; None when not even its kind can be read."""
    if not isinstance(sent, dict) or sent.get("kind") not in entries.KINDS:
        return None
    skin = sent.get("skin")
    nested = sketch_entry(sent.get("entry"))
    return SimpleNamespace(
        kind=sent["kind"],
        entry_id=_text(sent.get("entry_id")),
        amends=_text(sent.get("amends")),
        retracts=_text(sent.get("retracts")),
        entry=nested if nested is not None and nested.kind in entries.CLINICAL_KINDS else None,
        at=_read(values.read_time, sent.get("at")),
        closed_at=_read(values.read_time, sent.get("closed_at")),
        next_dressing_change_at=_read(values.read_time, sent.get("next_dressing_change_at")),
        gaps=_rows(sent.get("gaps")),
        bands=_rows(sent.get("bands")),
        gaps_not_measured=sent.get("gaps_not_measured"),
        bands_not_read=sent.get("bands_not_read"),
        skin=[_text(sign) for sign in skin] if isinstance(skin, list) else None,
        found=_read(values.read_integer, sent.get("found")),
        left_on_purpose=_read(values.read_integer, sent.get("left_on_purpose")),
        unaccounted_escalated=_read(values.read_integer, sent.get("unaccounted_escalated")),
    )


def _rows(sent: Any) -> list[SimpleNamespace] | None:
    if sent is None:
        return None
    return [_row(_object(row)) for row in sent] if isinstance(sent, list) else []


def _row(sent: dict[str, Any]) -> SimpleNamespace:
    numbers = {name: _read(values.read_number, sent.get(name)) for name in NUMBERS}
    return SimpleNamespace(band=_read(values.read_integer, sent.get("band")), **numbers)


def _object(sent: Any) -> dict[str, Any]:
    return sent if isinstance(sent, dict) else {}


def _text(sent: Any) -> str | None:
    return sent if isinstance(sent, str) else None


def _read(reader: Callable[[Any], Any], sent: Any) -> Any:
    try:
        return reader(sent)
    except values.NotRead:
        return None
