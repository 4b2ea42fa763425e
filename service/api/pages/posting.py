"""What is done with a filled form: computed, refused with every fault beside its field, or recorded."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import parse_qsl
from zoneinfo import ZoneInfo

from starlette.exceptions import HTTPException
from starlette.requests import Request

from service import strict_json
from service.api.bodies import read_body
from service.api.pages.fields import Form, Typed
from service.api.pages.filled import Filled, filled, first, place_faults
from service.api.pages.previewing import Preview, preview_entry
from service.intake.faults import Fault, Refused
from service.intake.review import Known, review_entries
from service.report.story import CourseStory, charted_within
from service.workflow import Workflow

LARGEST_FORM = 256 * 1024
MOST_FIELDS = 3000
FORM = "application/x-www-form-urlencoded"


@dataclass(frozen=True, slots=True)
class Looked:
    """A course as it stood when the request came: its record and its story."""

    known: Known
    story: CourseStory


@dataclass(frozen=True, slots=True)
class Answered:
    """A form to be shown again: what was typed, its faults, and what it would mean."""

    form: Form
    typed: Typed
    made: Filled
    preview: Preview | None = None
    moved_on: bool = False  # others have charted since the form was shown

    @property
    def status(self) -> int:
        """Status of the answer."""
        return 409 if self.moved_on and not self.made.refused else 422 if self.made.refused else 200


async def typed_form(request: Request) -> Typed:
    """The fields of a posted form. Raises 400, 413 or 415 for what is none."""
    media_type = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if media_type != FORM:
        raise HTTPException(415, f"send the form as {FORM}")
    try:
        body = (await read_body(request, LARGEST_FORM)).decode()
        pairs = parse_qsl(body, keep_blank_values=True, max_num_fields=MOST_FIELDS, errors="strict")
    except strict_json.TooLarge as fault:
        raise HTTPException(413, str(fault)) from fault
    except ValueError as fault:
        raise HTTPException(400, "the form cannot be read") from fault
    typed: dict[str, list[str]] = {}
    for name, value in pairs:
        typed.setdefault(name, []).append(value)
    return typed


def look(workflow: Workflow, course_id: str, now: datetime) -> Looked:
    """The course as it stands; raises UnknownCourse."""
    with workflow.store.read(workflow.site.key) as unit:
        return Looked(*charted_within(workflow, unit, course_id, now))


def initial(form: Form, extra: Mapping[str, str]) -> dict[str, list[str]]:
    """What stands in a form when it is first shown."""
    values: dict[str, Any] = {**form.values, **extra}
    return {name: [value] if isinstance(value, str) else list(value) for name, value in values.items()}


def answer_entry(workflow: Workflow, looked: Looked, form: Form, typed: Typed, now: datetime) -> Answered | None:
    """None when the entry is recorded (or was before); else the form to be shown again."""
    zone = looked.story.local.zone
    made = filled(form, typed, zone)
    made.document |= {"kind": form.kind, "entry_id": first(typed, "entry_id")}
    if "more" in typed:
        return Answered(form, typed, Filled({}))
    if "compute" in typed:
        return _computed(workflow, looked, form, typed, made, now)
    sent_before = made.document["entry_id"] in looked.known.digests
    moved_on = not sent_before and first(typed, "seen") != str(looked.story.arrival)
    if made.refused or moved_on:
        try:
            review_entries(made.document, looked.known, now)
        except Refused as refused:
            place_faults(form, made, refused.faults)
        return Answered(form, typed, made, _preview(workflow, looked, form, made, now), moved_on)
    try:
        workflow.record_entries(looked.story.course.course_id, made.document, now)
    except Refused as refused:
        place_faults(form, made, refused.faults)
        return Answered(form, typed, made, _preview(workflow, looked, form, made, now))
    return None


def _computed(workflow: Workflow, looked: Looked, form: Form, typed: Typed, made: Filled, now: datetime) -> Answered:
    preview = _preview(workflow, looked, form, made, now)
    if preview is not None:
        place_faults(form, made, preview.faults)
    return Answered(form, typed, made, preview)


def _preview(workflow: Workflow, looked: Looked, form: Form, made: Filled, now: datetime) -> Preview | None:
    if not form.computes:
        return None
    settings = workflow.settings
    return preview_entry(workflow.site, settings.fhir_base, ZoneInfo(settings.zone), looked.known, made, now)


def answer_course(workflow: Workflow, form: Form, typed: Typed, now: datetime) -> Answered | str:
    """The id of the course that is recorded; else the form to be shown again."""
    made = filled(form, typed, ZoneInfo(workflow.settings.zone))
    document = {"course": made.document, "entries": []}
    try:
        if not made.refused:
            return workflow.record_course(document, now).course_id
        workflow.preview(document, now)  # for whatever else is wrong
    except Refused as refused:
        place_faults(form, made, (_inner(fault) for fault in refused.faults))
    return Answered(form, typed, made)


def _inner(fault: Fault) -> Fault:
    """A fault of the course as a fault of the form, which is the course."""
    return Fault(fault.path[1:] if fault.path[:1] == ("course",) else fault.path, fault.detail, fault.conflict)
