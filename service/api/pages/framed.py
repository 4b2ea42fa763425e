"""The course inside a chart's frame: to be read, nothing else; and why it cannot be shown there."""

from datetime import datetime
from http import HTTPStatus

from service.api.pages.course_page import course_page
from service.api.pages.rendering import render
from service.report.story import story_of
from service.workflow import Workflow


def framed_course_page(workflow: Workflow, course_id: str, now: datetime) -> str:
    """The page as HTML; raises `UnknownCourse`. It has a stylesheet and no script, form, link or picture of its own."""
    return course_page(story_of(workflow, course_id, now), framed=True)


def framed_fault_page(status: int, detail: str) -> str:
    """What went wrong, in a sentence, as HTML: a person looks at it."""
    return render("fault.html", title=HTTPStatus(status).phrase, detail=detail, root="", framed=True)
