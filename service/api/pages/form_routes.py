"""The forms: shown by GET, recorded by POST, and then on to the course by a redirect, so that a reload sends nothing.

Recorded through the same verbs and rules as the intake. A form that is refused comes back with everything that was
typed, each fault beside its field; the entry's id is given when the form is first shown, so that sending it again,
after a lost connection or a reload, changes nothing.
"""

from collections.abc import Callable
from datetime import datetime
from typing import Any
from urllib.parse import quote
from uuid import uuid4
from zoneinfo import ZoneInfo

from anyio import to_thread
from fastapi import APIRouter
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from service.api.pages.answering import WARD, as_page, ward_root
from service.api.pages.correction_forms import amendment_form, retraction_form
from service.api.pages.course_form import course_form
from service.api.pages.entry_forms import ENTRY_FORMS
from service.api.pages.fields import Form, Typed
from service.api.pages.filled import READ_AS, Filled, first
from service.api.pages.members import member_label
from service.api.pages.posting import Answered, answer_course, answer_entry, initial, look, typed_form
from service.api.pages.rendering import page
from service.api.pages.same_origin import require_same_origin
from service.api.pages.typed_times import wall_clock
from service.clinic.entries import Amendment
from service.config import Settings
from service.report.course_lines import patient_line, reset_line, wound_line
from service.report.story import CourseStory
from service.report.texts import _
from service.workflow import Workflow

CORRECTIONS = ("correct", "retract")


def form_routes(workflow: Workflow, settings: Settings, clock: Callable[[], datetime]) -> APIRouter:
    """GET and POST of /ward/new and of every form below /ward/courses/{id}; POST of what a form would mean."""
    routes = APIRouter(include_in_schema=False)
    root = ward_root(settings)
    zone = ZoneInfo(settings.zone)

    def entry_page(course_id: str, kind: str, about: str) -> Response:
        now = clock()
        looked = look(workflow, course_id, now)
        form = _form(looked.story, kind, about, {})
        typed = initial(form, _first_shown(looked.story, now))
        return _entry_page(root, looked.story, kind, about, Answered(form, typed, Filled({})))

    def entry_answer(course_id: str, kind: str, about: str, typed: Typed) -> Response:
        now = clock()
        looked = look(workflow, course_id, now)
        form = _form(looked.story, kind, about, typed)
        answered = answer_entry(workflow, looked, form, typed, now)
        if answered is None:
            entry_id = first(typed, "entry_id")
            return RedirectResponse(f"{root}/courses/{course_id}?saved={entry_id}", 303)
        return _entry_page(root, looked.story, kind, about, answered)

    async def show_entry(request: Request, course_id: str, kind: str) -> Response:
        about = request.query_params.get("entry", "")
        answer = await to_thread.run_sync(entry_page, course_id, kind, about)
        request.state.shown_courses = [course_id]
        return answer

    async def take_entry(request: Request, course_id: str, kind: str) -> Response:
        require_same_origin(request, settings.public_base)
        typed = await typed_form(request)
        about = request.query_params.get("entry", "")
        answer = await to_thread.run_sync(entry_answer, course_id, kind, about, typed)
        request.state.shown_courses = [course_id]
        return answer

    async def take_preview(request: Request, course_id: str, kind: str) -> Response:
        require_same_origin(request, settings.public_base)
        typed = {**await typed_form(request), "compute": ["1"]}
        answer = await to_thread.run_sync(entry_answer, course_id, kind, "", typed)
        request.state.shown_courses = [course_id]
        return answer

    async def show_course_form(request: Request) -> Response:
        form = course_form(await to_thread.run_sync(_patient_system, workflow))
        typed = initial(form, {"opened_at": wall_clock(clock(), zone), "entry_id": str(uuid4())})
        return _course_form_page(root, settings, Answered(form, typed, Filled({})))

    async def take_course(request: Request) -> Response:
        require_same_origin(request, settings.public_base)
        typed = await typed_form(request)
        answered = await to_thread.run_sync(answer_course, workflow, course_form(""), typed, clock())
        if isinstance(answered, str):
            request.state.shown_courses = [answered]
            saved = quote(first(typed, "entry_id"))  # by which the browser forgets what was typed
            return RedirectResponse(f"{root}/courses/{answered}?saved={saved}", 303)
        return _course_form_page(root, settings, answered)

    path = f"{WARD}/courses/{{course_id}}/{{kind}}"
    for method, endpoint in (("GET", show_entry), ("POST", take_entry)):
        routes.add_api_route(path, as_page(endpoint, settings), methods=[method])
    routes.add_api_route(f"{path}/preview", as_page(take_preview, settings), methods=["POST"])
    routes.add_api_route(f"{WARD}/new", as_page(show_course_form, settings), methods=["GET"])
    routes.add_api_route(f"{WARD}/new", as_page(take_course, settings), methods=["POST"])
    return routes


def _form(story: CourseStory, kind: str, about: str, typed: Typed) -> Form:
    """The form of a kind of entry, or of a correction of the entry `about`."""
    if kind in ENTRY_FORMS:
        return ENTRY_FORMS[kind](story, typed, "")
    standing = next((one for one in story.entries if one.entry.entry_id == about), None)
    if kind == "correct" and standing is not None:
        return amendment_form(story, standing, typed)
    if kind == "retract":
        amendments = (one.entry for one in story.charted if isinstance(one.entry, Amendment))
        entry = standing.entry if standing else next((one for one in amendments if one.entry_id == about), None)
        if entry is not None:
            return retraction_form(story, entry)
    raise HTTPException(404, _("No such form, or no such entry in this course."))


def _first_shown(story: CourseStory, now: datetime) -> dict[str, str]:
    """What every form begins with: an id of its own, the time, and whose staff numbers were used last."""
    shown = {"entry_id": str(uuid4()), "at": wall_clock(now, story.local.zone)}
    if story.charted:
        system = story.charted[-1].entry.performer.identifier.system
        shown |= {"performer/identifier/system": system, "responsible/identifier/system": system}
    return shown


def _entry_page(root: str, story: CourseStory, kind: str, about: str, answered: Answered) -> Response:
    action = f"{root}/courses/{story.course.course_id}/{kind}" + (f"?entry={about}" if about else "")
    latest = max(story.charted, key=lambda one: one.arrival).entry if story.charted else None
    return _form_page(
        root,
        answered,
        action=action,
        story=story,
        local=story.local,
        zone=story.local.zone.key,
        seen=story.arrival,
        latest=latest,
        patient=patient_line(story),
        wound=wound_line(story),
        reset=reset_line(story),
    )


def _course_form_page(root: str, settings: Settings, answered: Answered) -> Response:
    return _form_page(root, answered, action=f"{root}/new", story=None, zone=settings.zone, seen=0)


def _form_page(root: str, answered: Answered, **shown: Any) -> Response:
    values = {"entry_id": [""], READ_AS: ["mark"], **answered.typed}
    return page(
        "form.html",
        answered.status,
        root=root,
        framed=False,
        form=answered.form,
        made=answered.made,
        preview=answered.preview,
        moved_on=answered.moved_on,
        values=_with_rows(answered.form, values),
        flat={name: texts[0] for name, texts in values.items() if texts},
        where=lambda name: _where(answered.form, name),
        **shown,
    )


def _with_rows(form: Form, values: dict[str, Any]) -> dict[str, Any]:
    """Numbers of rows that were added after the form was first shown."""
    known = {name: [value] if isinstance(value, str) else list(value) for name, value in form.values.items()}
    return {**{name: value for name, value in known.items() if name.endswith("/band")}, **values}


def _where(form: Form, name: str) -> str:
    """What a field is called in the list of faults."""
    for field in form.fields:
        if field.name == name:
            return field.said
    for table in form.tables:
        if name == table.name:
            return table.said
        for row in range(table.rows):
            for column in table.columns:
                if table.cell(row, column.name) == name:
                    shown = {key: value for key, value in form.values.items() if isinstance(value, str)}
                    return table.label_of(row, column, shown)
    return member_label(name.rpartition("/")[2])


def _patient_system(workflow: Workflow) -> str:
    """The register of patient numbers of a course of the site, as a proposal."""
    with workflow.store.read(workflow.site.key) as unit:
        rows = unit.courses(limit=1)
    return rows[0].patient_system if rows else ""
