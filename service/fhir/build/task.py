"""Task (http://hl7.org/fhir/R4/task.html): the due reset of a course; at most one is open.

A closed Task keeps what was due and names the Procedure that did it. The targets stand in it while it is open: they are
a plan that every reading revises, and the versions of the Task keep each state of it.
"""

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any

from service.clinic.bands import ABOVE_MAXIMUM, BandState
from service.clinic.entries import Installation
from service.clinic.quantities import present
from service.clinic.resets import DueReset, ResetPeriod
from service.fhir.build.context import APPLICATION, DEVICE_USE, RESET_TASK, Context
from service.fhir.build.identity import Built
from service.fhir.build.installed import BandParts
from service.fhir.build.procedure import RESET
from service.fhir.build.values import computed_time_text, digits, narrative, time_text

Tree = dict[str, Any]
_DONE_BY = {"reset": RESET, "installation": APPLICATION}


def reset_task(
    context: Context,
    period: ResetPeriod,
    due: DueReset,
    installation: Installation,
    bands: Sequence[BandState],
    now: datetime,
) -> Built:
    """The Task of one period between settings. `now` decides the priority of an open one and nothing else."""
    frame = context.frame
    names = context.lasting_names(period.opened_by)
    own = names.ids[RESET_TASK]
    reason = frame.concepts[f"due-{due.reason}"]
    due_at = computed_time_text(due.due_at)
    listed = ", ".join(str(number) for number in due.bands)
    bands_due = f"band{'s' if len(due.bands) > 1 else ''} {listed}"
    description = f"Reset of {bands_due} due {due_at}: {reason['text'][0].lower()}{reason['text'][1:]}."
    built: Tree = {
        "resourceType": "Task",
        "id": own,
        "meta": frame.metas["reset-task"],
        "text": narrative(f"{description} Local protocol and the treating surgeon decide."),
        "identifier": names.identifier(RESET_TASK),
        "basedOn": context.plan,
        "status": _status(period),
    }
    if period.closed_kind is not None and built["status"] == "cancelled":
        built["statusReason"] = {"text": period.closed_kind}
    built |= {
        "intent": "order",
        "priority": "urgent" if period.is_open and _is_urgent(due, now) else "routine",
        "code": frame.concepts["reset-due"],
        "description": description,
        "focus": context.bands_of(installation).names.reference("DeviceUseStatement", DEVICE_USE),
        "for": context.subject,
    }
    if context.encounter is not None:
        built["encounter"] = context.encounter
    if period.closed_at is not None:
        built["executionPeriod"] = {"start": time_text(period.opened_at), "end": time_text(period.closed_at)}
    built["authoredOn"] = time_text(period.opened_at)
    built["reasonCode"] = reason
    built["restriction"] = {"period": {"end": due_at}}
    if period.is_open and (inputs := _targets(context, installation, bands)):
        built["input"] = inputs
    if output := _output(context, period):
        built["output"] = output
    return Built("Task", own, period.opened_by, RESET_TASK, built)


def _status(period: ResetPeriod) -> str:
    if period.is_open:
        return "requested"
    return "completed" if period.closed_kind in _DONE_BY else "cancelled"


def _is_urgent(due: DueReset, now: datetime) -> bool:
    return due.status(now) == "overdue" or due.reason == ABOVE_MAXIMUM


def _targets(context: Context, installation: Installation, states: Sequence[BandState]) -> list[Tree]:
    """One input per band in order of work: target stretch, with the band and its target mark as extensions."""
    parts = context.bands_of(installation).by_number
    planned = sorted(states, key=lambda state: (state.order is None, state.order or 0, state.band))
    return [
        _target(context, state, parts[state.band], state.target_stretch_ratio, state.target_mark_mm)
        for state in planned
        if state.target_stretch_ratio is not None and state.target_mark_mm is not None and state.band in parts
    ]


def _target(context: Context, state: BandState, parts: BandParts, stretch_ratio: Decimal, mark_mm: Decimal) -> Tree:
    frame = context.frame
    stretch, mark = present(stretch_ratio), frame.shown.target_mark[str(mark_mm)]
    said = ", hold, surgeon to review" if state.hold else ""
    if state.tail_after_mm is not None and state.tail_after_short:
        tail, limit = digits(present(state.tail_after_mm)), digits(frame.policy.tail_min_mm)
        said += f", leaves a tail of {tail} mm, under {limit} mm"
    return {
        "extension": [
            parts.band_extension,
            mark.extension,
        ],
        "type": {
            "coding": frame.band_target,
            "text": f"Band {state.band}: target stretch ratio {digits(stretch)}, mark {mark.text} mm{said}",
        },
        "valueQuantity": frame.quantity(stretch, "ratio"),
    }


def _output(context: Context, period: ResetPeriod) -> list[Tree]:
    role = _DONE_BY.get(period.closed_kind or "")
    if role is None or period.closed_by is None:
        return []
    done = context.names_of(period.closed_by).reference("Procedure", role)
    return [{"type": context.frame.concepts["reset-done"], "valueReference": done}]
