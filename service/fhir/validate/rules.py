"""The register of published constraints: each is a small predicate tied to the place where R4 states it.

`@rule("Observation", "obs-6", when="dataAbsentReason")` says: on an Observation, and only where that element is present
(its absence makes the constraint true), the function must return true. Severity and wording are the published ones,
from `service/fhir/r4/tables/constraints.json`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from service.fhir.r4 import constraints
from service.fhir.r4.issue import Severity
from service.fhir.validate.walk import Place, Walk

Predicate = Callable[[dict[str, Any], Walk], bool]


class Rule(NamedTuple):
    """`of_keys`: the predicate looks only at which elements are present, never at their values."""

    key: str
    holds: Predicate
    of_keys: bool


_ALWAYS: dict[str, list[Rule]] = {}
_WHEN: dict[tuple[str, str], list[Rule]] = {}


def rule(
    path: str, key: str, when: str | tuple[str, ...] = (), *, of_keys: bool = False
) -> Callable[[Predicate], Predicate]:
    """Register a predicate for a type or backbone path; `when` names the elements that make it worth asking.

    With `of_keys` the predicate promises to look at the keys of the value only.
    """

    def register(holds: Predicate) -> Predicate:
        if not when:
            _ALWAYS.setdefault(path, []).append(Rule(key, holds, of_keys))
        for element in (when,) if isinstance(when, str) else when:
            _WHEN.setdefault((path, element), []).append(Rule(key, holds, of_keys))
        return holds

    return register


def rules_of(path: str) -> tuple[Rule, ...]:
    """Constraints asked of every value of this type."""
    return tuple(_ALWAYS.get(path, ()))


def rules_when(path: str, element: str) -> tuple[Rule, ...]:
    """Constraints asked only where the element is present."""
    return tuple(_WHEN.get((path, element), ()))


def registered() -> set[str]:
    """The keys of all constraints that are checked here."""
    return {r.key for listed in (*_ALWAYS.values(), *_WHEN.values()) for r in listed}


def apply(rules: tuple[Rule, ...], value: dict[str, Any], at: Place, walk: Walk) -> None:
    """Ask each constraint. One that stumbles over a value of the wrong shape leaves the issue to the structure."""
    for key, holds, _ in rules:
        try:
            held = holds(value, walk)
        except (AttributeError, TypeError, KeyError, IndexError, ValueError) as fault:
            if not any(issue.severity == "error" for issue in walk.issues):
                walk.error(at, f"{key} cannot be decided: {fault}", "invariant", "invariant")
            continue
        if not held:
            _broken(key, at, walk)


def _broken(key: str, at: Place, walk: Walk) -> None:
    published = constraints()[key]
    severity: Severity = "error" if published["severity"] == "error" else "warning"
    walk.add(severity, "invariant", at, f"{key}: {published['human']}", "invariant")
