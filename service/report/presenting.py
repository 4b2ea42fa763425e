"""The bytes behind DiagnosticReport.presentedForm: trend as SVG and PNG, hand-over sheet as PDF."""

import hashlib
import logging
from base64 import b64encode
from datetime import datetime
from typing import Any

from service.fhir.build.presented import SHEET, TREND, named
from service.report.drawing import svg
from service.report.hand_over import hand_over_sheet
from service.report.picture import png
from service.report.story import CourseStory, story_within
from service.report.trend import trend
from service.store.courses import CourseReads
from service.store.receiving import held
from service.workflow import Workflow

Tree = dict[str, Any]
log = logging.getLogger(__name__)


def rendered(story: CourseStory, role: str) -> bytes | None:
    """One form of a report as it now stands; None for a trend before the first gap reading."""
    if role == SHEET:
        return hand_over_sheet(story)
    drawn = trend(story)
    if drawn is None:
        return None
    return svg(drawn, "trend", alone=True).encode() if role == TREND else png(drawn)


def complete(workflow: Workflow, unit: CourseReads, resource: Tree) -> Tree:
    """The report of a course with the bytes of its forms in it; every other resource as it is.

    For a server that cannot ask here. `unit`: the read that the resource comes from, so that they fit together. Drawn
    as of the time of the report's version: sent again it has the same bytes.
    """
    if resource["resourceType"] != "DiagnosticReport" or "presentedForm" not in resource:
        return resource
    key = "DiagnosticReport", resource["id"]
    report = held(unit, [key]).get(key)
    if report is None or report.course_id is None:
        return resource
    then = datetime.fromisoformat(resource["meta"]["lastUpdated"])
    return with_data(resource, story_within(workflow, unit, report.course_id, then))


def with_data(report: Tree, story: CourseStory) -> Tree:
    """The report with the bytes of each form in it instead of an address; a form that cannot be drawn is left out.

    Size in bytes; hash is SHA-1 in base64, as R4 asks for (http://hl7.org/fhir/R4/datatypes.html#attachment).
    """
    forms = [filled for form in report.get("presentedForm", ()) if (filled := _filled(form, report, story)) is not None]
    kept = {name: value for name, value in report.items() if name != "presentedForm"}
    return kept | ({"presentedForm": forms} if forms else {})


def _filled(form: Tree, report: Tree, story: CourseStory) -> Tree | None:
    found = named(str(form.get("url", "")).rpartition("/")[2])
    if found is None or found[0] != report.get("id"):
        return form  # not one that is drawn here
    try:
        content = rendered(story, found[1])
    except Exception as fault:  # the figures must arrive, whatever is wrong with the picture of them
        log.error("a form of a report could not be drawn: %s", type(fault).__name__)
        return None
    if content is None:
        return None
    kept = {name: value for name, value in form.items() if name in ("contentType", "language")}
    return kept | {
        "data": b64encode(content).decode(),
        "size": len(content),
        "hash": b64encode(hashlib.sha1(content, usedforsecurity=False).digest()).decode(),
        "title": form["title"],
        "creation": story.now.isoformat(timespec="seconds"),
    }
