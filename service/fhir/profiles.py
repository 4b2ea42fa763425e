"""The rules of the project's own profiles as plain functions, keyed by the profile's canonical URL.

Cardinalities and patterns are compiled from the same rows of `mappings/profile-elements.csv` that the
StructureDefinitions are generated from. An invariant has a row in `mappings/profile-invariants.csv` (its words and its
FHIRPath) and a function of its key here; a row without a function, or a function without a row, is refused at start.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from itertools import chain
from typing import Any, Literal

from service.fhir.profile_shapes import Code, ProfileShapes, has_code, keys_of
from service.fhir.r4.issue import Issue
from service.terminology import Fault, Profile, Terminology, TerminologyFault

Json = dict[str, Any]
Rule = Callable[[Json], Iterable[Issue]]
LAYER = "profile"


def profile_rules(terms: Terminology) -> dict[str, Sequence[Rule]]:
    """The rules of every profile. Raises TerminologyFault where invariants of table and code differ."""
    named = {row["key"] for profile in terms.profiles.values() for row in profile.invariants}
    if odd := sorted(named ^ INVARIANTS.keys()):
        raise TerminologyFault(Fault("profile-invariants.csv", 0, f"{key} has no row or no function") for key in odd)
    return {profile.url: (_told_at_once(profile, terms),) for profile in terms.profiles.values()}


def _told_at_once(profile: Profile, terms: Terminology) -> Rule:
    """All rules of a profile; what surely keeps them is told by one look at its keys and a few at its values."""
    rules, patterns = tuple(_compiled(profile, terms)), _patterns(profile, terms)
    below = [
        rule for row in profile.elements if row["path"].count(".") > 1 for rule in _of_element(profile, row, terms)
    ]
    invariants = [INVARIANTS[row["key"]] for row in profile.invariants]
    sure = ProfileShapes(profile.elements, patterns, below, invariants)

    def rule(resource: Json) -> Iterable[Issue]:
        return () if sure.holds(resource) else chain.from_iterable(rule(resource) for rule in rules)

    return rule


def _compiled(profile: Profile, terms: Terminology) -> Iterator[Rule]:
    needed = [row["path"] for row in profile.elements if row["min"] != "0"]
    yield _needed(profile.type, [path for path in needed if path.count(".") == 1])
    for row in profile.elements:
        yield from _of_element(profile, row, terms)
    for row in profile.invariants:
        severity: Literal["error", "warning"] = "error" if row["severity"] == "error" else "warning"
        yield _invariant(profile.type, row["key"], row["human"], severity, INVARIANTS[row["key"]])


def _patterns(profile: Profile, terms: Terminology) -> dict[str, Code]:
    return {row["path"]: _wanted(row["pattern"], terms) for row in profile.elements if row["pattern"]}


def _of_element(profile: Profile, row: Mapping[str, str], terms: Terminology) -> Iterator[Rule]:
    steps = tuple(row["path"].split(".")[1:])
    if row["min"] != "0" and len(steps) > 1:
        yield _needed_below(profile.type, steps)
    if row["max"] == "1":
        yield _at_most_one(profile.type, steps)
    if row["pattern"]:
        yield _pattern(profile.type, steps, _wanted(row["pattern"], terms))


def _issue(path: str, why: str, code: str = "invalid", severity: Literal["error", "warning"] = "error") -> Issue:
    return Issue(severity, code, path, why, LAYER)


# Elements


def values_at(node: Any, name: str) -> list[Any]:
    """The values of an element, one or many, choice of types (`value[x]`) included."""
    if not isinstance(node, dict):
        return []
    if name.endswith("[x]"):
        return [node[key] for key in keys_of(name[:-3], tuple(node))]
    value = node.get(name)
    return [] if value is None else value if isinstance(value, list) else [value]


def _parents(resource: Json, steps: Sequence[str]) -> list[Any]:
    nodes: list[Any] = [resource]
    for name in steps[:-1]:
        nodes = [value for node in nodes for value in values_at(node, name)]
    return nodes


def _needed(resource_type: str, paths: Sequence[str]) -> Rule:
    plain = tuple(path.split(".")[1] for path in paths if not path.endswith("[x]"))
    choices = tuple(path.split(".")[1] for path in paths if path.endswith("[x]"))

    def rule(resource: Json) -> Iterator[Issue]:
        for name in plain:
            if not resource.get(name):
                yield _issue(f"{resource_type}.{name}", "the profile asks for it", "required")
        for name in choices:
            if not values_at(resource, name):
                yield _issue(f"{resource_type}.{name}", "the profile asks for it", "required")

    return rule


def _needed_below(resource_type: str, steps: Sequence[str]) -> Rule:
    path = f"{resource_type}.{'.'.join(steps)}"

    def rule(resource: Json) -> Iterator[Issue]:
        for parent in _parents(resource, steps):
            if not values_at(parent, steps[-1]):
                yield _issue(path, "the profile asks for it", "required")

    return rule


def _at_most_one(resource_type: str, steps: Sequence[str]) -> Rule:
    path = f"{resource_type}.{'.'.join(steps)}"

    def rule(resource: Json) -> Iterator[Issue]:
        for parent in _parents(resource, steps):
            if len(values_at(parent, steps[-1])) > 1:
                yield _issue(path, "the profile takes only one", "structure")

    return rule


# Patterns


def _wanted(pattern: str, terms: Terminology) -> Code:
    kind, _, key = pattern.partition(":")
    coding = terms.coding(key) if kind == "concept" else terms.unit(key)
    return coding["system"], coding["code"]


def _pattern(resource_type: str, steps: Sequence[str], wanted: Code) -> Rule:
    path = f"{resource_type}.{'.'.join(steps)}"

    def rule(resource: Json) -> Iterator[Issue]:
        for parent in _parents(resource, steps):
            for value in values_at(parent, steps[-1]):
                if not has_code(value, wanted):
                    yield _issue(path, f"the profile asks for the code {wanted[1]} of {wanted[0]}", "code-invalid")

    return rule


# Invariants: each states the FHIRPath of its row


def _invariant(
    resource_type: str, key: str, human: str, severity: Literal["error", "warning"], holds: Callable[[Json], bool]
) -> Rule:
    def rule(resource: Json) -> Iterator[Issue]:
        try:
            held = holds(resource)
        except (AttributeError, KeyError, IndexError, TypeError):  # a wrong shape has its own issue in another layer
            held = False
        if not held:
            yield _issue(resource_type, f"{key}: {human}", "invariant", severity)

    return rule


def _value(resource: Json) -> Any:
    if "valueQuantity" in resource:  # the usual one; a second value beside it is the structure's to refuse
        return resource["valueQuantity"]
    keys = keys_of("value", tuple(resource))
    return resource[keys[0]] if keys else None


def _number(quantity: Json) -> Decimal:
    value = quantity["value"]
    return value if type(value) is Decimal else Decimal(value)


def _says(resource: Json, letter: str) -> bool:
    for one in resource.get("interpretation", ()):
        for coding in one.get("coding", ()):
            if coding.get("code") == letter:
                return True
    return False


def _value_or_reason(resource: Json) -> bool:
    return (_value(resource) is not None) != ("dataAbsentReason" in resource)


def _some_content(resource: Json) -> bool:
    return _value(resource) is not None or "component" in resource or "dataAbsentReason" in resource


def _low_said(resource: Json) -> bool:
    value = _value(resource)
    return value is None or (_number(value) < _number(resource["referenceRange"][0]["low"])) == _says(resource, "L")


def _high_said(resource: Json) -> bool:
    value = _value(resource)
    return value is None or (_number(value) > _number(resource["referenceRange"][0]["high"])) == _says(resource, "H")


INVARIANTS: Mapping[str, Callable[[Json], bool]] = {
    "cr-value": _value_or_reason,
    "cr-not-negative": lambda r: _value(r) is None or _number(_value(r)) >= 0,
    "cr-station": lambda r: _value(r) is None or bool(r.get("component")),
    "cr-range-both": lambda r: all("low" in one and "high" in one for one in r.get("referenceRange", ())),
    "cr-interpretation": lambda r: _value(r) is None or bool(r.get("interpretation")),
    "cr-low": _low_said,
    "cr-high": _high_said,
    "cr-content": _some_content,
    "cr-order": lambda r: r.get("intent") == "order",
    "cr-output": lambda r: r.get("status") != "completed" or bool(r.get("output")),
    "cr-ended": lambda r: r.get("status") != "inactive" or "end" in r.get("period", {}),
    "cr-plan": lambda r: r.get("intent") == "plan",
    "cr-use-ended": lambda r: r.get("status") not in ("completed", "stopped") or "end" in r.get("timingPeriod", {}),
}
