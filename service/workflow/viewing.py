"""What people and programs see of a course: the course view with its links, a row of the due board."""

from datetime import datetime
from typing import Any

from service.clinic.course import CourseFold
from service.clinic.summary import course_view
from service.fhir.build.context import REPORT, Context
from service.projection import Folded, Site


def view_of(site: Site, fhir_base: str, folded: Folded, now: datetime) -> dict[str, Any]:
    """The course view of a folded course, without its entries."""
    return view_of_fold(fhir_base, Context(site.frame, folded.course, ()), folded.fold, now)


def view_of_fold(fhir_base: str, context: Context, fold: CourseFold, now: datetime) -> dict[str, Any]:
    """The same where the course is folded already."""
    return course_view(context.course, fold.summary(now), now) | {"links": _links(context, fhir_base)}


def due_row(view: dict[str, Any]) -> dict[str, Any]:
    """A row of the due board: the next reset, and what else is urgent about the course."""
    high = [alert["code"] for alert in view["alerts"] if alert["severity"] == "high"]
    return {"course_id": view["course_id"], **view["next_reset"], "high_alerts": high, "links": view["links"]}


def _links(context: Context, fhir_base: str) -> dict[str, str]:
    patient = context.subject["reference"]
    found = {
        "patient": patient,
        "condition": context.condition[0]["reference"],
        "care_plan": context.plan[0]["reference"],
        "report": context.names.reference("DiagnosticReport", REPORT)["reference"],
        "observations": f"Observation?patient={patient}",
        "open_reset": f"Task?patient={patient}&status=requested",
        "active_flags": f"Flag?patient={patient}&status=active",
    }
    if context.encounter is not None:
        found["encounter"] = context.encounter["reference"]
    return {name: f"{fhir_base}/{place}" for name, place in found.items()}
