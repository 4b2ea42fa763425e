"""Is this resource sound R4? All issues with their paths, or a fast yes or no.

Layers, each in a module of its own: the bytes (`service.fhir.wire`), the library fhirkit-rs (`fhirkit_layer`), the
walk over the published tables (`structure`, with `primitives`, `references`, `units`, `extensions`), the published
constraints (`rules`, `invariants`, `bundles`) and the rules of profiles that the caller passes in.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from service.fhir import wire
from service.fhir.r4.issue import Issue
from service.fhir.validate.extensions import KNOWN_EXTENSIONS
from service.fhir.validate.fast import surely_sound
from service.fhir.validate.fhirkit_layer import library_issues
from service.fhir.validate.outcome import operation_outcome
from service.fhir.validate.pass_over import ask_profiles, walked
from service.fhir.validate.walk import Walk

__all__ = ["Issue", "ProfileRules", "check", "check_bytes", "is_valid", "operation_outcome"]

ProfileRules = Mapping[str, Sequence[Callable[[dict[str, Any]], Iterable[Issue]]]]


def check(
    resource: Mapping[str, Any],
    profile_rules: ProfileRules | None = None,
    *,
    extensions: tuple[str, ...] = KNOWN_EXTENSIONS,
) -> list[Issue]:
    """All issues of a resource held as a dict with Decimals; the bytes it would be sent as are looked at too.

    `profile_rules` maps the canonical URL of a profile to functions that are asked of each resource (Bundle entries
    included) whose meta.profile names it. `extensions` are the beginnings of extension URLs that need no warning.
    """
    root = resource if isinstance(resource, dict) else dict(resource)
    walk = walked(root, extensions)
    ask_profiles(root, profile_rules or {}, walk)
    try:
        raw = wire.write(root)
    except (TypeError, ValueError, RecursionError) as refusal:
        return [*walk.issues, Issue("error", "structure", "", str(refusal), "bytes")]
    return _merged(library_issues(raw), walk.issues)


def check_bytes(
    raw: bytes,
    profile_rules: ProfileRules | None = None,
    *,
    extensions: tuple[str, ...] = KNOWN_EXTENSIONS,
    max_bytes: int = wire.MAX_BYTES,
) -> list[Issue]:
    """All issues of a resource as received. Bytes that cannot be read have only the issues of the bytes."""
    try:
        resource = wire.read(raw, max_bytes=max_bytes)
    except wire.Unreadable as refusal:
        return refusal.issues
    walk = walked(resource, extensions)
    ask_profiles(resource, profile_rules or {}, walk)
    return _merged(library_issues(raw), walk.issues)


def is_valid(
    resource: Mapping[str, Any],
    raw: bytes | None = None,
    profile_rules: ProfileRules | None = None,
    *,
    once: bool = False,
) -> bool:
    """True when `check` would find no error.

    The fast path for what this service emits: the walk alone, which finds every error that fhirkit-rs finds on the
    official examples and the mutation corpus (held by tests/conformance). With `raw`, the bytes are read again first.
    With `once` the walk is taken without trying the fast yes, whose functions are worth making only for many resources.
    """
    if raw is not None:
        try:
            wire.read(raw)
        except wire.Unreadable:
            return False
    root = resource if isinstance(resource, dict) else dict(resource)
    walk = Walk(KNOWN_EXTENSIONS, errors_only=True)
    if once or not surely_sound(root, walk):
        walk = walked(root, KNOWN_EXTENSIONS, errors_only=True)
    if profile_rules:
        ask_profiles(root, profile_rules, walk)
    return not walk.issues and not (walk.untabled and _library_refuses(root))


def _library_refuses(resource: dict[str, Any]) -> bool:
    """For a resource type without a table here, fhirkit-rs alone knows the elements."""
    try:
        return any(issue.severity == "error" for issue in library_issues(wire.write(resource)))
    except (TypeError, ValueError, RecursionError):
        return True


def _merged(library: list[Issue], own: list[Issue]) -> list[Issue]:
    """Errors first; what the library says of a place where the walk found an error already is left out."""
    known = {issue.expression for issue in own if issue.severity == "error"}
    added = [issue for issue in library if issue.expression not in known]
    return sorted([*own, *added], key=lambda issue: ("error", "warning", "information").index(issue.severity))
