"""Resources and courses to store: invented, small, of the shape that the projection has."""

from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import NAMESPACE_URL, uuid5

import orjson

from service.search.values import index
from service.store import CourseRow, Draft, EntryRow, Store

SITE = "ward-seven"
NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)
SYSTEM = "https://closure.ward-seven.example/sid"


def observation(number: int, *, patient: str = "p-1", code: str = "gap", at: str = "2024-05-01", **more: Any) -> dict:
    """An Observation; `code` has one coding of its own and one that it shares with every other."""
    return {
        "resourceType": "Observation",
        "id": f"{patient}-o-{number}",
        "meta": {"source": "#test"},
        "identifier": [{"system": SYSTEM, "value": f"{patient}/{number}"}],
        "status": "final",
        "category": [{"coding": [{"system": "urn:category", "code": "exam"}]}],
        "code": {"coding": [{"system": "urn:own", "code": code}, {"system": "urn:all", "code": "any"}]},
        "subject": {"reference": f"Patient/{patient}"},
        "effectiveDateTime": at,
        **more,
    }


def check(course_id: str, entry_id: str, patient: str, at: str, size: int = 30) -> list[dict]:
    """As many Observations as a check makes, of as many bytes, with ids as the projection has them."""
    return [
        {
            **observation(number, patient=patient, code=f"code-{number % 20}", at=at),
            "id": str(uuid5(NAMESPACE_URL, f"{course_id}/{entry_id}/{number}")),
            "identifier": [{"system": SYSTEM, "value": f"{course_id}/{entry_id}/{number}"}],
            "text": {"status": "generated", "div": "<div>" + "gap 31.0 mm at station 20 mm " * 30 + "</div>"},
        }
        for number in range(size)
    ]


def draft(
    resource: dict, course_id: str | None = "c-1", entry_id: str | None = "e-1", patient: str | None = None
) -> Draft:
    content, values = orjson.dumps(resource), index(resource, UTC)
    return Draft(resource["resourceType"], resource["id"], course_id, entry_id, content, values, patient)


def course(course_id: str = "c-1", patient: str = "p-1", **more: Any) -> CourseRow:
    row = CourseRow(course_id, b"{}", b"digest", "urn:mrn", "12", patient, 0, "open", None, False, 1, 0)
    return row._replace(**more)


def entry(entry_id: str, at: int = 0) -> EntryRow:
    return EntryRow(entry_id, at, "check", b'{"gap_mm": 31.0}', b"digest", 0)


def save(store: Store, *resources: dict, now: datetime = NOON, site: str = SITE) -> list:
    with store.write(site, now) as unit:
        return unit.save_resources([draft(each) for each in resources])


def later(minutes: int) -> datetime:
    return NOON + timedelta(minutes=minutes)
