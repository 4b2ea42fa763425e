"""Procedure (http://hl7.org/fhir/R4/procedure.html): application, reset, dressing change, removal, count, closure."""

from collections.abc import Sequence
from typing import Any

from service.clinic.entries import Check, Installation, Outcome, Performer, Reconciliation, Removal, Reset
from service.fhir.build.charting import Charting, performer_reference
from service.fhir.build.context import APPLICATION
from service.fhir.build.identity import Built
from service.fhir.build.values import annotation, digits, narrative, time_text

Tree = dict[str, Any]
RESET, DRESSING_CHANGE, REMOVAL, RECONCILIATION, CLOSURE = (
    "reset", "dressing-change", "removal", "reconciliation", "closure",
)  # fmt: skip
# What each result of a course was done by; the others are no procedure.
CLOSURE_CONCEPT = {
    "primary-closure": "delayed-primary-closure",
    "partial-closure-and-graft": "partial-closure-and-graft",
    "graft": "graft-cover",
    "flap": "flap-cover",
}


def procedure(
    charting: Charting,
    role: str,
    concept: str,
    sentence: str,
    *,
    performed: str | None = None,
    reason: list[Tree] | None = None,
    outcome: Tree | None = None,
    action: str | None = None,
    used: Sequence[Tree] = (),
    performer: Performer | None = None,
    notes: Sequence[str] = (),
) -> Built:
    """One Procedure of an entry; `action` is what was done to the closure set."""
    context, frame = charting.context, charting.frame
    own = charting.names.ids[role]
    actor = performer_reference(performer) if performer else charting.performer[0]
    at = performed or charting.at
    built: Tree = {
        "resourceType": "Procedure",
        "id": own,
        "meta": frame.metas["closure-procedure"],
        "text": narrative(sentence),
        "identifier": charting.names.identifier(role),
        "basedOn": context.plan,
        "status": "completed",
        "category": frame.concepts["wound-procedure"],
        "code": frame.concepts[concept],
        "subject": context.subject,
    }
    if context.encounter is not None:
        built["encounter"] = context.encounter
    built["performedDateTime"] = at
    built["performer"] = [{"actor": actor}]
    if reason is not None:
        built["reasonCode"] = reason
    built["reasonReference"] = context.condition
    built["bodySite"] = [context.body_site]
    if outcome is not None:
        built["outcome"] = outcome
    if notes:
        built["note"] = [note for text in notes for note in annotation(text, charting.at)]
    if action is not None and charting.bands is not None:
        built["focalDevice"] = [{"action": frame.concepts[action], "manipulated": charting.bands.closure_set}]
    if used:
        built["usedReference"] = used
    return Built("Procedure", own, charting.names.entry_id, role, built)


def _notes(charting: Charting) -> tuple[str, ...]:
    return (charting.content.note,) if charting.content.note else ()


def application(charting: Charting, installation: Installation) -> Built:
    """Anchors and bands go in."""
    bands = charting.context.bands_of(installation)
    devices = [bands.closure_set, *(band.device for band in bands.by_number.values())]
    dressings = installation.dressings_placed
    placed = "" if dressings is None else f", {dressings} dressings placed"
    return procedure(
        charting,
        APPLICATION,
        "band-application",
        f"{len(installation.bands)} elastic bands applied between {installation.anchors_per_side} anchors per "
        f"side{placed}.",
        action="traction-action",
        used=devices,
        notes=_notes(charting),
    )


def reset(charting: Charting, entry: Reset) -> Built:
    """Bands are brought back to their target stretch."""
    settings = "; ".join(f"band {s.band} to a mark of {digits(s.mark_mm_after)} mm" for s in entry.bands)
    bands = charting.bands.by_number if charting.bands else {}
    used = [bands[s.band].device for s in entry.bands if s.band in bands]
    return procedure(
        charting, RESET, "band-reset", f"Bands reset: {settings}.",
        action="adjustment-action", used=used, notes=_notes(charting),
    )  # fmt: skip


def dressing_change(charting: Charting, check: Check) -> list[Built]:
    """A check at which the dressing was changed is a change of dressing too."""
    if check.dressing is None or not check.dressing.changed:
        return []
    return [procedure(charting, DRESSING_CHANGE, "dressing-change", f"Dressing changed at {charting.at}.")]


def removal(charting: Charting, entry: Removal) -> Built:
    """Bands, anchors and dressings come out; the counts stand in Observations of their own."""
    return procedure(
        charting,
        REMOVAL,
        "band-removal",
        f"Removed: {entry.anchors_removed} anchors, {entry.bands_removed} bands, {entry.dressings_removed} dressings; "
        f"reason: {entry.reason}.",
        reason=[charting.frame.concepts[f"removal-{entry.reason}"]],
        action="removal-action",
        notes=_notes(charting),
    )


def reconciliation(charting: Charting, entry: Reconciliation) -> Built:
    """What became of items that were not accounted for, by whoever is responsible."""
    return procedure(
        charting,
        RECONCILIATION,
        "inventory-reconciled",
        f"{entry.item.capitalize()}: {entry.found} found, {entry.left_on_purpose} left on purpose, "
        f"{entry.unaccounted_escalated} not found and escalated. {entry.reason}",
        performer=entry.responsible,
        notes=(entry.reason, *_notes(charting)),
    )


def closure(charting: Charting, entry: Outcome) -> list[Built]:
    """The closure or cover of the wound, where the outcome is one."""
    concept = CLOSURE_CONCEPT.get(entry.result)
    if concept is None:
        return []
    performed = time_text(entry.closed_at or entry.at)
    name = charting.frame.concepts[concept]["text"]
    return [
        procedure(
            charting,
            CLOSURE,
            concept,
            f"{name} on {performed}.",
            performed=performed,
            outcome=charting.frame.concepts[f"outcome-{entry.result}"],
            notes=_notes(charting),
        )
    ]
