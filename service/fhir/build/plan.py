"""CarePlan (http://hl7.org/fhir/R4/careplan.html) and Goal (http://hl7.org/fhir/R4/goal.html) of one course."""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from service.clinic.entries import Outcome
from service.fhir.build.context import GOAL, PLAN, Context
from service.fhir.build.identity import Built
from service.fhir.build.observation import reference_to
from service.fhir.build.values import cm, digits, narrative, time_text
from service.fhir.build.wound import site_text

Tree = dict[str, Any]
GIVEN_UP = ("abandoned", "died")


def care_plan(context: Context, outcome: Outcome | None, tasks: Sequence[Built]) -> Built:
    """CarePlan: active until the outcome, then completed, or revoked where the plan was given up."""
    frame = context.frame
    own = context.names.ids[PLAN]
    opened = time_text(context.course.opened_at)
    title = f"Gradual closure of a wound of the {site_text(context)}"
    status = "active" if outcome is None else "revoked" if outcome.result in GIVEN_UP else "completed"
    ended = "" if outcome is None else f", ended {time_text(outcome.at)}: {outcome.result}"
    built: Tree = {
        "resourceType": "CarePlan",
        "id": own,
        "meta": frame.metas["closure-plan"],
        "text": narrative(f"{title}, since {opened}{ended}. The treating surgeon and the local protocol decide."),
        "identifier": context.names.identifier(PLAN),
        "status": status,
        "intent": "plan",
        "category": [frame.concepts["gradual-closure-plan"]],
        "title": title,
        "subject": context.subject,
    }
    if context.encounter is not None:
        built["encounter"] = context.encounter
    built["period"] = {"start": opened} | ({} if outcome is None else {"end": time_text(outcome.at)})
    built["created"] = opened
    built["addresses"] = context.condition
    built["goal"] = [context.names.reference("Goal", GOAL)]
    if tasks:
        built["activity"] = [{"reference": reference_to(task)} for task in tasks]
    return Built("CarePlan", own, None, PLAN, built)


def goal(context: Context, outcome: Outcome | None, widest_mm: Decimal | None, widest: Tree | None) -> Built:
    """Goal: the widest gap at or under the closable gap of the policy. `widest` refers to the last one measured."""
    frame = context.frame
    own = context.names.ids[GOAL]
    limit_mm = frame.policy.closable_gap_mm
    limit = cm(limit_mm)
    description = f"Widest gap at or under {digits(limit)} cm, so that the wound can be closed"
    reached = widest_mm is not None and widest_mm <= limit_mm
    lifecycle, achievement = _status(outcome, reached)
    built: Tree = {
        "resourceType": "Goal",
        "id": own,
        "meta": frame.metas["closure-goal"],
        "text": narrative(f"{description}: {achievement}."),
        "identifier": context.names.identifier(GOAL),
        "lifecycleStatus": lifecycle,
        "achievementStatus": frame.terms.hl7("goal-achievement", achievement),
        "description": {**frame.concepts["closable-gap-goal"], "text": description},
        "subject": context.subject,
        "startDate": context.course.opened_at.date().isoformat(),
        "target": [
            {
                "measure": frame.concepts["widest-gap"],
                "detailQuantity": {"value": limit, "comparator": "<=", **frame.terms.unit("cm")},
            }
        ],
    }
    if outcome is not None:
        built["statusDate"] = outcome.at.date().isoformat()
    built["addresses"] = context.condition
    if widest is not None:
        built["outcomeReference"] = [widest]
    return Built("Goal", own, None, GOAL, built)


def _status(outcome: Outcome | None, reached: bool) -> tuple[str, str]:
    """Life cycle and achievement."""
    if outcome is None:
        return "active", "achieved" if reached else "in-progress"
    lifecycle = "cancelled" if outcome.result in GIVEN_UP else "completed"
    return lifecycle, "achieved" if reached or outcome.result == "primary-closure" else "not-achieved"
