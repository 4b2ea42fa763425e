"""Observation (http://hl7.org/fhir/R4/observation.html): the frame that every reading and every measure shares."""

from collections.abc import Sequence
from typing import Any

from service.fhir.build.charting import Charting
from service.fhir.build.identity import Built
from service.fhir.build.values import annotation, narrative

Tree = dict[str, Any]


def observation(charting: Charting, role: str, profile: str, code: Tree, sentence: str, **elements: Any) -> Built:
    """One Observation of an entry; `elements` are those of `unnamed`."""
    return named(charting, role, sentence, unnamed(charting, profile, code, **elements))


def unnamed(
    charting: Charting,
    profile: str,
    code: Tree,
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
) -> Tree:
    """An Observation that has no id, text and identifier yet, its keys in order: a pattern for many of a kind, too.

    `value` is the choice of value with its name, `{"valueQuantity": ...}`, or `{"dataAbsentReason": ...}`. One with a
    method is a measure.
    """
    built = charting.observation(profile, method is not None)
    built["code"] = code
    if category is not None:
        built["category"] = category
    if value is not None:
        built.update(value)
    if interpretation is not None:
        built["interpretation"] = interpretation
    if note is not None:
        built["note"] = annotation(note, charting.at)
    built["bodySite"] = charting.context.body_site
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
    return built


def named(charting: Charting, role: str, sentence: str, built: Tree, written: Tree | None = None) -> Built:
    """The Observation with its id, text and identifier; `written` are elements of it whose bytes are known."""
    names = charting.names
    built["id"] = own = names.ids[role]
    built["text"] = narrative(sentence)
    built["identifier"] = names.identifier(role)
    return Built("Observation", own, names.entry_id, role, built, written)


def reference_to(built: Built) -> Tree:
    """Reference to what was built."""
    return {"reference": f"{built.type}/{built.id}"}
