"""DiagnosticReport.presentedForm (http://hl7.org/fhir/R4/diagnosticreport.html): the trend and the hand-over sheet.

By URL: what is read is drawn when it is read, out of the record as it then stands, so that a report costs the same to
write however long the course is, and holds no bytes that another version of a drawing library would change. A relative
URL is meant from the base of the service (http://hl7.org/fhir/R4/datatypes.html#attachment). Who passes a report on to
a server that cannot ask here puts the bytes in (`service.report.presenting`).
"""

from typing import Any

from msgspec import Struct

Tree = dict[str, Any]
TREND, TREND_PICTURE, SHEET = "trend", "trend-png", "sheet"


class PresentedForm(Struct, frozen=True):
    """One form of a report: its media type and what a chart calls it."""

    content_type: str
    title: str


PRESENTED = {
    TREND: PresentedForm("image/svg+xml", "Trend of widest gap and open area"),
    TREND_PICTURE: PresentedForm("image/png", "Trend of widest gap and open area (picture)"),
    SHEET: PresentedForm("application/pdf", "Hand-over sheet"),
}


def presented_form(report_id: str, with_trend: bool) -> list[Tree]:
    """The attachments of a report; without a gap reading there is no trend."""
    return [
        {"contentType": form.content_type, "language": "en", "url": f"Binary/{report_id}.{role}", "title": form.title}
        for role, form in PRESENTED.items()
        if with_trend or role == SHEET
    ]


def named(binary_id: str) -> tuple[str, str] | None:
    """Report id and form that an id of a Binary stands for; None for any other."""
    report_id, dot, role = binary_id.rpartition(".")
    return (report_id, role) if dot and role in PRESENTED else None
