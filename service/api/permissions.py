"""What a request needs to be granted, by its verb and path: one place for every route, so that none can forget.

Scopes stand for interactions of FHIR (SMART App Launch 2.2.0, Scopes for requesting FHIR Resources) and for the
service's own words. What only the body tells is asked where it is read: Bundles entry by entry, searches for the types
that they include or lead through, `$everything` for each type that it gives, exports for each type.
"""

from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import parse_qsl

from service.access.gate import Access
from service.access.scopes import CHART_LINK, INTAKE_READ, INTAKE_WRITE
from service.fhir.links import references
from service.search.criteria import PatientIdentifierCriterion
from service.search.including import included_types
from service.search.query import Query

READING = ("GET", "HEAD")
_BY_VERB = {"POST": ("create",), "PUT": ("update",), "PATCH": ("patch",), "DELETE": ("delete",)}
# Types that hold what this software publishes about itself; a token of any kind reads them.
PUBLISHED = frozenset(
    {
        "CapabilityStatement", "CodeSystem", "ConceptMap", "ImplementationGuide", "Measure", "NamingSystem",
        "OperationDefinition", "Questionnaire", "SearchParameter", "StructureDefinition", "ValueSet", "metadata",
    }
)  # fmt: skip


def require_permission(access: Access, method: str, segments: Sequence[str], condition: str | None = None) -> None:
    """Raise Forbidden unless the client may send this request; `condition`: of a write, on what exists already."""
    match list(segments):
        case ["fhir", *rest]:
            _require_fhir(access, method, rest, condition)
        case ["intake", "plan", *_]:
            pass  # a calculation on what is sent; nothing of a patient is read or kept
        case ["intake", "preview"]:
            access.require_own(INTAKE_READ)
        case ["intake", *_] | ["ward", *_]:
            access.require_own(INTAKE_READ if method in READING else INTAKE_WRITE)
        case ["chart", "links"]:
            access.require_own(CHART_LINK)


def require_types_of(access: Access, query: Query) -> None:
    """Raise Forbidden unless every type that a search includes may be read, and each it leads through be searched."""
    for type_ in sorted({type_ for include in query.includes for type_ in included_types(include)}):
        access.require(type_, "read")
    if any(isinstance(each, PatientIdentifierCriterion) for each in query.criteria):
        access.require("Patient", "search-type")


def searched_by_references(resource: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Type and interaction that the conditional references of a sound resource (`Patient?identifier=...`) stand for."""
    found = [link.text.partition("?") for link in references(dict(resource)) if "?" in link.text]
    chained = [each for _, _, condition in found for each in searched_through(condition)]
    return sorted({*((type_, "search-type") for type_, _, _ in found), *chained})


def searched_through(condition: str) -> list[tuple[str, str]]:
    """Type and interaction that the chains of a condition stand for: the one that is served leads through Patient."""
    chained = any("." in name for name, _ in parse_qsl(condition, keep_blank_values=True))
    return [("Patient", "search-type")] if chained else []


def _require_fhir(access: Access, method: str, segments: Sequence[str], condition: str | None) -> None:
    asked = fhir_interactions(method, segments, condition is not None)
    for type_, interaction in (*asked, *searched_through(condition or "")):
        access.require(type_, interaction)


def fhir_interactions(method: str, segments: Sequence[str], conditional: bool = False) -> list[tuple[str, str]]:
    """Type and interaction of a request below the FHIR base; both of a write under a condition, which searches too."""
    match list(segments):
        case [] | [""]:
            return []  # a Bundle; everything else is refused there
        case ["_search"]:
            return [("*", "search-system")]
        case ["_history"]:
            return [("*", "history-system")]
        case [type_, *_] if type_ in PUBLISHED or type_.startswith(("$", ".")):
            return []
        case [_, *rest] if method not in (*READING, "POST") and any(part.startswith("$") for part in rest):
            # No operation is asked with these: a route would take the name for an id.
            return [(segments[0], each) for each in _BY_VERB.get(method, ("read",))]
        case [type_, "$lastn"]:
            return [(type_, "search-type")]
        case ["Subscription", "$status"]:
            return [("Subscription", "read")]
        case ["Group", _, "$export"]:
            return []  # asked type by type
        case [type_, id_, operation] if operation.startswith("$"):
            return [(type_, "read")] if not id_.startswith("$") else []
        case [_, operation] if operation.startswith("$"):
            return []
        case [type_, "_search"]:
            return [(type_, "search-type")]
        case [type_, "_history"]:
            return [(type_, "history-type")]
        case [type_, _, "_history"]:
            return [(type_, "history-instance")]
        case [type_, _, "_history", _]:
            return [(type_, "vread")]
        case [type_]:
            asked = _BY_VERB.get(method, ("search-type",))
            conditional = conditional or method in ("PUT", "PATCH", "DELETE")
        case [type_, *_]:
            asked = _BY_VERB.get(method, ("read",))
    searched = [(type_, "search-type")] if conditional and method not in READING else []
    return [(type_, each) for each in asked] + searched
