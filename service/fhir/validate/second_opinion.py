"""A second opinion on foreign input: the R4B models of fhir.resources, an implementation that shares nothing with ours.

Its habits, met in use: it knows R4B (4.3), of which the types here differ little from R4; it ignores required bindings
and reference targets; it rewrites 12.50 as 12.5, so nothing that it holds is ever written out. Its issues are warnings
where R4 and R4B part and errors elsewhere. It takes some hundred times as long as `is_valid` and is imported on demand.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib import import_module
from typing import Any

from pydantic import ValidationError

from service.fhir.r4.issue import Issue, Severity

_LAYER = "second opinion"

# Types whose R4B shape departs from R4 (http://hl7.org/fhir/R4B/diff.html): what is said of them is advice
_CHANGED_IN_R4B = frozenset({"Subscription", "SubscriptionStatus", "SubscriptionTopic", "Evidence", "EvidenceVariable"})


@cache
def _model(kind: str) -> Any:
    return getattr(import_module(f"fhir.resources.R4B.{kind.lower()}"), kind)


def second_opinion(resource: Mapping[str, Any], raw: bytes) -> list[Issue]:
    """What fhir.resources says of the same bytes; empty when it agrees that the resource is sound."""
    kind = str(resource.get("resourceType"))
    try:
        model = _model(kind)
    except (ImportError, AttributeError):
        return [Issue("information", "not-supported", kind, f"{kind} is unknown to the second opinion", _LAYER)]
    try:
        model.model_validate_json(raw)
    except ValidationError as refusal:
        severity: Severity = "warning" if kind in _CHANGED_IN_R4B else "error"
        return [
            Issue(severity, "structure", _expression(kind, error["loc"]), error["msg"], _LAYER)
            for error in refusal.errors(include_url=False, include_context=False, include_input=False)
        ]
    return []


def _expression(kind: str, location: tuple[int | str, ...]) -> str:
    steps = "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in location)
    return kind + steps
