"""The table of decisions, read once and checked whole: what becomes of each element of each type in each mode.

A path is a resource type (`Practitioner`), an element of it in JSON's own name (`Observation.valueQuantity`), or an
element of a datatype (`Period.start`), decided once for all places where that datatype is kept. What all resources have
stands under `DomainResource`, what all elements have under `Element` and `BackboneElement`. `Observation@hospital` are
those that a hospital wrote itself.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import NamedTuple

from service.fhir.r4 import elements, has_children, primitives, resource_types
from service.terminology.apart import read_apart
from service.terminology.tables import Fault, Row, TerminologyFault

FILE = "deidentification.csv"
COLUMNS = ("path", "safe_harbor", "research", "why")
SAFE_HARBOR, RESEARCH = "safe-harbor", "research"
MODES: Mapping[str, str] = {SAFE_HARBOR: "safe_harbor", RESEARCH: "research"}  # mode -> column
KEEP, DROP, LEAVE_OUT = "keep", "drop", "leave-out"
DESCENDING = frozenset({KEEP, "known-coding", "known-extension"})
ACTIONS = DESCENDING | {
    DROP, LEAVE_OUT, "pseudonym-id", "pseudonym", "pseudonym-system", "reference", "site", "year", "shifted",
    "birth-year", "shifted-birth-year", "words", "concept-words", "numbered-words", "known-system", "known-canonical",
    "version", "formula", "withheld", "rebuilt", "zip-digits", "us-state", "country",
}  # fmt: skip
HOSPITAL = "@hospital"
_OF_EVERY_RESOURCE = frozenset(
    {"id", "meta", "implicitRules", "language", "text", "contained", "extension", "modifierExtension"}
)
_OF_EVERY_ELEMENT = {
    "id": "Element.id",
    "extension": "Element.extension",
    "modifierExtension": "BackboneElement.modifierExtension",
}


class Step(NamedTuple):
    """What becomes of one member of an object: the action, its datatype, and the path of its own elements."""

    action: str
    type: str
    inner: str  # empty for a primitive
    needed: bool  # R4 asks for at least one of it; of a choice, at least one of its types
    choice: str  # the name before the type, of a choice; else the name


@dataclass(frozen=True)
class Rules:
    """The decisions of one mode."""

    mode: str
    decisions: Mapping[str, str]

    @cached_property
    def types(self) -> tuple[str, ...]:
        """The resource types that come out, in the order of the table."""
        return tuple(p for p, action in self.decisions.items() if p in resource_types() and action == KEEP)

    @cached_property
    def decided_types(self) -> frozenset[str]:
        """The resource types that the table knows."""
        return frozenset(path for path in self.decisions if path in resource_types())

    @cached_property
    def plans(self) -> Mapping[str, Mapping[str, Step]]:
        """Path of an object -> what becomes of each of its members. Every path that is reached has one."""
        found: dict[str, Mapping[str, Step]] = {}
        left = [*self.types]
        while left:
            path = left.pop()
            if path not in found:
                found[path] = plan = dict(self._steps(path))
                left += [step.inner for step in plan.values() if step.inner and step.action in DESCENDING]
        return found

    def undecided(self) -> list[str]:
        """Paths that are reached and have no row."""
        return sorted({step.action[1:] for plan in self.plans.values() for step in plan.values() if not _sound(step)})

    def _steps(self, path: str) -> Iterator[tuple[str, Step]]:
        is_root = path in resource_types()
        for element in elements(path).values():
            for type_ in element.types:
                key = element.name + type_[0].upper() + type_[1:] if element.choice else element.name
                own = element.same_as or f"{path}.{element.name}"
                inner = "" if type_ in primitives() else own if has_children(own) else type_
                yield key, Step(self._action(path, key, is_root), type_, inner, element.minimum > 0, element.name)

    def _action(self, path: str, key: str, is_root: bool) -> str:
        place = f"{path}.{key}"
        if place not in self.decisions:
            if is_root and key in _OF_EVERY_RESOURCE:
                place = f"DomainResource.{key}"
            else:
                place = _OF_EVERY_ELEMENT.get(key, place)
        return self.decisions.get(place, f"?{place}")


def _sound(step: Step) -> bool:
    return not step.action.startswith("?")


def read_rules(mode: str, folder: Path | None = None) -> Rules:
    """The rules of a mode from a mappings folder, None for the one shipped.

    Raises TerminologyFault with every fault: an action that is not known, an element that is reached and undecided, a
    row of a path that R4 does not have or that nothing reaches.
    """
    rows = read_apart(FILE, COLUMNS, ("path", *MODES.values()), ("path",), folder)
    both = {name: Rules(name, {row["path"]: row[column] for row in rows}) for name, column in MODES.items()}
    faults = [
        row.fault(f"{column}: {row[column]} is no action")
        for row in rows
        for column in MODES.values()
        if row[column] not in ACTIONS
    ]
    if not faults:
        undecided = {path for rules in both.values() for path in rules.undecided()}
        faults += [Fault(FILE, 0, f"{path} is undecided") for path in sorted(undecided)]
        faults += _idle(rows, both.values())
    if faults:
        raise TerminologyFault(faults)
    return both[mode]


def _idle(rows: Iterable[Row], both: Iterable[Rules]) -> Iterator[Fault]:
    """Rows that decide nothing in either mode, as a misspelt path does."""
    reached = {"Element"}
    for rules in both:
        for path, plan in rules.plans.items():
            reached |= {f"{path}.{key}" for key in plan}
    common = set(_OF_EVERY_ELEMENT.values()) | {f"DomainResource.{name}" for name in _OF_EVERY_RESOURCE}
    for row in rows:
        path = row["path"].removesuffix(HOSPITAL)
        if path not in reached | common and path not in resource_types():
            yield row.fault(f"{path} is no element that is met")
