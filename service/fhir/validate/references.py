"""Where a Reference points: the type it names must be one that the element allows.

http://hl7.org/fhir/R4/references.html. A reference may be relative (`Patient/1`), absolute, local (`#p1`), a `urn:uuid`
of the same Bundle, conditional (`Patient?identifier=..`, in a transaction) or logical (identifier, display).
"""

from __future__ import annotations

import re
from typing import Any

from service.fhir.r4 import resource_types
from service.fhir.validate.walk import Place, Walk

_LITERAL = re.compile(
    r"(?:(?P<base>https?://[^\s#?]+)/)?(?P<type>[A-Z][A-Za-z]+)"
    r"(?:/(?P<id>[A-Za-z0-9\-.]{1,64})(?:/_history/[A-Za-z0-9\-.]{1,64})?(?:#.+)?|\?\S+)"
)


def named_type(reference: str, walk: Walk) -> str | None:
    """The resource type a literal reference names, "" where it cannot be told, None where it has no proper form."""
    if reference.startswith("#"):
        if reference == "#":
            return str(walk.root.get("resourceType", ""))
        return walk.contained_types().get(reference[1:], "")
    if walk.full_urls is not None and reference in walk.full_urls:
        return walk.full_urls[reference]
    if reference.startswith("urn:"):
        return ""
    found = _LITERAL.fullmatch(reference)
    if found is not None and found["type"] in resource_types():
        return found["type"]
    return "" if "://" in reference else None


def _dangles(literal: str, full_urls: dict[str, str]) -> bool:
    """A urn:uuid means something only inside its Bundle (http://hl7.org/fhir/R4/bundle.html#references)."""
    return literal.startswith("urn:uuid:") and literal.partition("#")[0] not in full_urls


def check_reference(value: dict[str, Any], targets: frozenset[str], at: Place, walk: Walk) -> None:
    """Issues for a reference of no proper form, to a type that is not allowed, or at odds with its own `type`."""
    literal = value.get("reference")
    declared = value.get("type")
    named = named_type(literal, walk) if type(literal) is str else ""
    if type(literal) is str and walk.full_urls is not None and _dangles(literal, walk.full_urls):
        walk.error((at, "reference"), f"{literal!r} is the fullUrl of no entry", "not-found", "reference")
    if named is None:
        walk.error((at, "reference"), f"{literal!r} is no reference to an R4 resource", "value", "reference")
    if type(declared) is str and declared in resource_types():
        if named and named != declared:
            walk.error((at, "type"), f"{literal!r} is not of the declared type {declared}", "value", "reference")
        named = named or declared
    if named and targets and named not in targets:
        allowed = ", ".join(sorted(targets))
        walk.error(at, f"refers to {named}, allowed are {allowed}", "value", "reference")
