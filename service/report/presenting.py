"""The bytes behind DiagnosticReport.presentedForm: trend as SVG and PNG, hand-over sheet as PDF."""

import hashlib
from base64 import b64encode
from typing import Any

from service.fhir.build.presented import SHEET, TREND, named
from service.report.drawing import svg
from service.report.hand_over import hand_over_sheet
from service.report.picture import png
from service.report.story import CourseStory
from service.report.trend import trend

Tree = dict[str, Any]


def rendered(story: CourseStory, role: str) -> bytes | None:
    """One form of a report as it now stands; None for a trend before the first gap reading."""
    if role == SHEET:
        return hand_over_sheet(story)
    drawn = trend(story)
    if drawn is None:
        return None
    return svg(drawn, "trend", alone=True).encode() if role == TREND else png(drawn)


def with_data(report: Tree, story: CourseStory) -> Tree:
    """The report with the bytes of each form in it instead of an address, for a server that cannot ask here.

    Size in bytes; hash is SHA-1 in base64, as R4 asks for (http://hl7.org/fhir/R4/datatypes.html#attachment).
    """
    if "presentedForm" not in report:
        return report
    forms = [_filled(form, story) for form in report["presentedForm"]]
    return report | {"presentedForm": forms}


def _filled(form: Tree, story: CourseStory) -> Tree:
    found = named(str(form.get("url", "")).rpartition("/")[2])
    content = rendered(story, found[1]) if found is not None else None
    if content is None:
        return form
    kept = {name: value for name, value in form.items() if name in ("contentType", "language")}
    return kept | {
        "data": b64encode(content).decode(),
        "size": len(content),
        "hash": b64encode(hashlib.sha1(content, usedforsecurity=False).digest()).decode(),
        "title": form["title"],
        "creation": story.now.isoformat(timespec="seconds"),
    }
