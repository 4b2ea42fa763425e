"""The rules of the project's own profiles as plain functions, keyed by the profile's canonical URL.

Cardinalities and patterns are compiled from the same rows of `mappings/profile-elements.csv` that the
StructureDefinitions are generated from. An invariant has a row in `mappings/profile-invariants.csv` (its words and its
FHIRPath) and a function of its key here; a row without a function, or a function without a row, is refused at start.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from functools import lru_cache
from itertools import chain
from typing import Any, Literal

from service.fhir.r4.issue import Issue
from service.terminology import Fault, Profile, Terminology, TerminologyFault

Json = dict[str, Any]
Rule = Callable[[Json], Iterable[Issue]]
Test = Callable[[Any], bool]
MOST_SHAPES = 1000  # of one profile; a sender may have more, those are left to the rules
LAYER = "profile"


def profile_rules(terms: Terminology) -> dict[str, Sequence[Rule]]:
    """The rules of every profile. Raises TerminologyFault where invariants of table and code differ."""
    named = {row["key"] for profile in terms.profiles.values() for row in profile.invariants}
    if odd := sorted(named ^ INVARIANTS.keys()):
        raise TerminologyFault(Fault("profile-invariants.csv", 0, f"{key} has no row or no function") for key in odd)
    return {profile.url: (_told_at_once(profile, terms),) for profile in terms.profiles.values()}


def _told_at_once(profile: Profile, terms: Terminology) -> Rule:
    """All rules of a profile; what surely keeps them is told by one look at its keys and a few at its values."""
    rules, sure = tuple(_compiled(profile, terms)), ProfileShapes(profile, terms)

    def rule(resource: Json) -> Iterable[Issue]:
        return () if sure.holds(resource) else chain.from_iterable(rule(resource) for rule in rules)

    return rule


def _compiled(profile: Profile, terms: Terminology) -> Iterator[Rule]:
    needed = [row["path"] for row in profile.elements if row["min"] != "0"]
    yield _needed(profile.type, [path for path in needed if path.count(".") == 1])
    for row in profile.elements:
        yield from _of_element(profile, row, tuple(row["path"].split(".")[1:]), terms)
    for row in profile.invariants:
        severity: Literal["error", "warning"] = "error" if row["severity"] == "error" else "warning"
        yield _invariant(profile.type, row["key"], row["human"], severity, INVARIANTS[row["key"]])


def _of_element(profile: Profile, row: Mapping[str, str], steps: tuple[str, ...], terms: Terminology) -> Iterator[Rule]:
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
        return [node[key] for key in _keys_of(name[:-3], tuple(node))]
    value = node.get(name)
    return [] if value is None else value if isinstance(value, list) else [value]


@lru_cache(maxsize=2048)
def _keys_of(stem: str, keys: tuple[str, ...]) -> tuple[str, ...]:
    """Those of the keys that are a choice of types of one element: `value` has `valueQuantity`."""
    place = len(stem)
    return tuple(key for key in keys if key.startswith(stem) and key[place : place + 1].isupper())


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


def _wanted(pattern: str, terms: Terminology) -> tuple[str, str]:
    kind, _, key = pattern.partition(":")
    coding = terms.coding(key) if kind == "concept" else terms.unit(key)
    return coding["system"], coding["code"]


def _pattern(resource_type: str, steps: Sequence[str], wanted: tuple[str, str]) -> Rule:
    path = f"{resource_type}.{'.'.join(steps)}"

    def rule(resource: Json) -> Iterator[Issue]:
        for parent in _parents(resource, steps):
            for value in values_at(parent, steps[-1]):
                if not _matches(value, wanted):
                    yield _issue(path, f"the profile asks for the code {wanted[1]} of {wanted[0]}", "code-invalid")

    return rule


def _matches(value: Any, wanted: tuple[str, str]) -> bool:
    """A CodeableConcept with a coding, or a Quantity with a unit, of this system and code."""
    if not isinstance(value, dict):
        return False
    codings = value["coding"] if isinstance(value.get("coding"), list) else [value]
    return any(isinstance(c, dict) and (c.get("system"), c.get("code")) == wanted for c in codings)


# The sure yes


class ProfileShapes:
    """Resources that surely keep a profile: by their keys in their order, then by values. No means "ask the rules".

    As in `validate.fast`: resources of one builder have few shapes, and what their keys decide is decided once.
    """

    def __init__(self, profile: Profile, terms: Terminology) -> None:
        self._rows = [(row, row["path"].split(".")[1:]) for row in profile.elements]
        self._terms = terms
        self._below = tuple(_below(profile, terms))
        self._invariants = [INVARIANTS[row["key"]] for row in profile.invariants]
        self._shapes: dict[tuple[str, ...], tuple[tuple[str, Test], ...] | None] = {}

    def holds(self, resource: Json) -> bool:
        """True where no rule of the profile has anything to say."""
        keys = tuple(resource)
        if keys not in self._shapes:
            if len(self._shapes) >= MOST_SHAPES:
                return False
            self._shapes[keys] = self._tests(keys)
        tests = self._shapes[keys]
        if tests is None or not all(test(resource[key]) for key, test in tests):
            return False
        try:
            kept = all(holds(resource) for holds in self._invariants)
        except (AttributeError, KeyError, IndexError, TypeError, ValueError):
            return False
        return kept and not any(issue for rule in self._below for issue in rule(resource))

    def _tests(self, keys: tuple[str, ...]) -> tuple[tuple[str, Test], ...] | None:
        """Tests of the values of these keys; None where a needed element is not there or a choice is there twice."""
        found: list[tuple[str, Test]] = []
        for row, steps in self._rows:
            named = _keys_of(steps[0][:-3], keys) if steps[0].endswith("[x]") else (steps[0],) * (steps[0] in keys)
            if (row["min"] != "0" and not named) or (row["max"] == "1" and len(named) > 1):
                return None
            if len(steps) == 1:
                wanted = _wanted(row["pattern"], self._terms) if row["pattern"] else None
                found += [(key, _value_test(row, wanted)) for key in named]
        return tuple(found)


def _below(profile: Profile, terms: Terminology) -> Iterator[Rule]:
    """The rules of elements within elements."""
    for row in profile.elements:
        steps = tuple(row["path"].split(".")[1:])
        if len(steps) > 1:
            yield from _of_element(profile, row, steps, terms)


def _value_test(row: Mapping[str, str], wanted: tuple[str, str] | None) -> Test:
    needed, single = row["min"] != "0", row["max"] == "1"

    def test(value: Any) -> bool:
        if (needed and not value) or (single and type(value) is list and len(value) > 1):
            return False
        if wanted is None:
            return True
        return all(_matches(one, wanted) for one in (value if type(value) is list else (value,)))

    return test


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
    return next(iter(values_at(resource, "value[x]")), None)


def _number(quantity: Json) -> Decimal:
    return Decimal(quantity["value"])


def _says(resource: Json, letter: str) -> bool:
    return any(c.get("code") == letter for i in resource.get("interpretation", ()) for c in i.get("coding", ()))


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
