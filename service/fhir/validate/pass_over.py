"""One pass over one resource: the Bundle as a whole, structure and constraints, then the profiles it names."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from service.fhir.r4.issue import Issue
from service.fhir.validate import bundles, invariants
from service.fhir.validate.structure import check_root
from service.fhir.validate.walk import Place, Walk

assert invariants.__all__  # imported so that the constraints are registered before the first walk

Rules = Mapping[str, Sequence[Callable[[dict[str, Any]], Iterable[Issue]]]]


def walked(resource: dict[str, Any], extensions: tuple[str, ...], errors_only: bool = False) -> Walk:
    """The walk after it has gone over the resource: structure, references, units, constraints."""
    walk = Walk(extensions, errors_only)
    kind = resource.get("resourceType")
    at: Place = (None, kind if type(kind) is str else "Resource")
    if kind == "Bundle":
        walk.full_urls = bundles.full_urls(resource)
        bundles.check_bundle(resource, at, walk)
    try:
        check_root(resource, at, walk)
    except RecursionError:
        walk.error(at, "nested too deep to be checked")
    return walk


def ask_profiles(resource: dict[str, Any], profile_rules: Rules, walk: Walk) -> None:
    """Ask the rules of every profile that the resource, or one inside its Bundle, says it follows."""
    kind = resource.get("resourceType")
    if kind != "Bundle":
        _ask_profiles(resource, str(kind), profile_rules, walk)
        return
    for one, place in _resources(resource):
        _ask_profiles(one, place, profile_rules, walk)


def _resources(root: dict[str, Any]) -> Iterable[tuple[dict[str, Any], str]]:
    """The resource, and each resource of its Bundle entries, with the text of its place."""
    yield root, str(root.get("resourceType"))
    entries = root.get("entry") if root.get("resourceType") == "Bundle" else None
    for place, entry in enumerate(entries if isinstance(entries, list) else ()):
        inner = entry.get("resource") if type(entry) is dict else None
        if type(inner) is dict:
            yield inner, f"Bundle.entry[{place}].resource"


def _ask_profiles(resource: dict[str, Any], place: str, profile_rules: Rules, walk: Walk) -> None:
    meta = resource.get("meta")
    named = meta.get("profile") if type(meta) is dict else None
    for canonical in named if isinstance(named, list) else ():
        for ask in profile_rules.get(str(canonical), ()):
            if found := ask(resource):
                walk.issues.extend(_placed(issue, resource, place) for issue in found if _wanted(issue, walk))


def _wanted(issue: Issue, walk: Walk) -> bool:
    return issue.severity == "error" or not walk.errors_only


def _placed(issue: Issue, resource: dict[str, Any], place: str) -> Issue:
    """A rule speaks of `Observation.status`; inside a Bundle the path begins at the Bundle."""
    kind = str(resource.get("resourceType"))
    if place == kind or not issue.expression.startswith(kind):
        return issue
    expression = place + issue.expression[len(kind) :]
    return Issue(issue.severity, issue.code, expression, issue.diagnostics, issue.layer)
