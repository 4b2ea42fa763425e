"""Observation (http://hl7.org/fhir/R4/observation.html): the frame that every reading and every measure shares."""

from collections.abc import Sequence
from typing import Any

from service.fhir.build.context import Charting
from service.fhir.build.identity import Built
from service.fhir.build.values import annotation, narrative

Tree = dict[str, Any]


def observation(
    charting: Charting,
    role: str,
    profile: str,
    code: Tree,
    sentence: str,
    *,
    value: Tree | None = None,
    category: list[Tree] | None = None,
    interpretation: list[Tree] | None = None,
    note: str | None = None,
    method: Tree | None = None,
    device: Tree | None = None,
    reference_range: list[Tree] | None = None,
    members: Sequence[Tree] = (),
    derived_from: Sequence[Tree] = (),
    components: Sequence[Tree] = (),
) -> Built:
    """One Observation of an entry.

    `value` is the choice of value with its name, `{"valueQuantity": ...}`, or `{"dataAbsentReason": ...}`. A measure
    (one with a method) has no performer: nobody charted it, and Provenance names the software.
    """
    context, names = charting.context, charting.names
    own = names.id(role)
    built: Tree = {
        "resourceType": "Observation",
        "id": own,
        "meta": charting.frame.metas[profile],
        "text": narrative(sentence),
        "identifier": names.identifier(role),
        "basedOn": context.plan,
    }
    if charting.part_of is not None:
        built["partOf"] = charting.part_of
    built["status"] = charting.status
    built["category"] = category or charting.frame.exam
    built["code"] = code
    built["subject"] = context.subject
    if context.encounter is not None:
        built["encounter"] = context.encounter
    built["effectiveDateTime"] = charting.at
    if method is None:
        built["performer"] = charting.performer
    if value is not None:
        built.update(value)
    if interpretation is not None:
        built["interpretation"] = interpretation
    if note is not None:
        built["note"] = annotation(note, charting.at)
    built["bodySite"] = context.body_site
    if method is not None:
        built["method"] = method
    if device is not None:
        built["device"] = device
    if reference_range is not None:
        built["referenceRange"] = reference_range
    if members:
        built["hasMember"] = members
    if derived_from:
        built["derivedFrom"] = derived_from
    if components:
        built["component"] = components
    return Built("Observation", own, names.entry_id, role, built)


def reference_to(built: Built) -> Tree:
    """Reference to what was built."""
    return {"reference": f"{built.type}/{built.id}"}
