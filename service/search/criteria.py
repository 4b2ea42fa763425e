"""The parts of a parsed query: what each parameter asks for, alternatives within it, and the order of the answer."""

from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Literal, NamedTuple

from service.search.dates import DateBound
from service.search.parameters import Slot
from service.search.quantities import QuantityBound

OrderKey = Literal["arrival", "date", "other_date", "last_updated", "id"]


class SearchError(ValueError):
    """A search that cannot be done as asked; `parameter` is its name, the message says why."""

    def __init__(self, parameter: str, reason: str) -> None:
        super().__init__(f"{parameter}: {reason}")
        self.parameter = parameter
        self.reason = reason


@dataclass(frozen=True, slots=True)
class Setting:
    """What the meaning of a query depends on beside its text."""

    base: str  # public base of the FHIR API, no trailing slash
    zone: tzinfo  # of dates without an offset
    now: datetime  # for `ap`


class TokenValue(NamedTuple):
    """`code`, `system|code`, `|code` or `system|`: None is any, an empty system is none."""

    system: str | None
    code: str | None

    def holds(self, system: str, code: str) -> bool:
        """Literal comparison, case and all (search.html#token)."""
        return self.system in (None, system) and self.code in (None, code)


@dataclass(frozen=True, slots=True)
class IdCriterion:
    """The resource has one of these ids."""

    ids: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TokenCriterion:
    """One of the resource's tokens of this parameter is one of these."""

    name: str
    slot: Slot
    values: tuple[TokenValue, ...]


@dataclass(frozen=True, slots=True)
class IdentifierCriterion:
    """One of the resource's business identifiers is one of these, both parts whole."""

    values: tuple[TokenValue, ...]


@dataclass(frozen=True, slots=True)
class DateCriterion:
    """The date answers one of these bounds."""

    slot: Slot
    bounds: tuple[DateBound, ...]


@dataclass(frozen=True, slots=True)
class ReferenceCriterion:
    """The resource is about one of these patients, or this parameter points to one of the other targets."""

    name: str
    patients: tuple[str, ...]
    others: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LogicalReferenceCriterion:
    """`:identifier`: this parameter's reference carries one of these identifiers, whether or not it leads anywhere."""

    name: str
    values: tuple[TokenValue, ...]


@dataclass(frozen=True, slots=True)
class PatientIdentifierCriterion:
    """`patient.identifier`: the resource is about a patient who has one of these identifiers."""

    values: tuple[TokenValue, ...]


@dataclass(frozen=True, slots=True)
class TextCriterion:
    """A string of this parameter begins with one of these, contains one (both folded) or is one, letter by letter."""

    name: str
    texts: tuple[str, ...]
    how: Literal["begins", "contains", "exact"] = "begins"


@dataclass(frozen=True, slots=True)
class TokenTextCriterion:
    """`:text`: the display of a coding or the text of its concept begins with one of these, folded."""

    name: str
    slot: Slot
    beginnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class QuantityCriterion:
    """One of the resource's quantities of this slot answers one of these bounds."""

    slot: Slot
    bounds: tuple[QuantityBound, ...]


@dataclass(frozen=True, slots=True)
class CodedQuantityCriterion:
    """A code and a quantity that belong together: in one resource, or in one of its components."""

    slot: Slot
    pairs: tuple[tuple[TokenValue, QuantityBound], ...]


@dataclass(frozen=True, slots=True)
class NotCriterion:
    """`:not`: none of it holds; resources without any value are among the matches (search.html#modifiers)."""

    excluded: "TokenCriterion | IdentifierCriterion | IdCriterion"


@dataclass(frozen=True, slots=True)
class MissingCriterion:
    """`:missing`: whether the resource has no value of this parameter, or has one."""

    name: str
    slot: Slot
    missing: bool


Criterion = (
    IdCriterion
    | TokenCriterion
    | IdentifierCriterion
    | DateCriterion
    | ReferenceCriterion
    | LogicalReferenceCriterion
    | PatientIdentifierCriterion
    | TextCriterion
    | TokenTextCriterion
    | QuantityCriterion
    | CodedQuantityCriterion
    | NotCriterion
    | MissingCriterion
)


@dataclass(frozen=True, slots=True)
class Include:
    """What is to travel beside the matches: targets of a reference of theirs, or what refers to them (`reverse`)."""

    source: str
    parameter: str
    target: str | None = None  # type of the targets, None for any
    reverse: bool = False


@dataclass(frozen=True, slots=True)
class Subset:
    """Which elements of a resource are asked for: a summary, or elements by name (search.html#summary, #elements)."""

    summary: Literal["true", "text", "data"] | None = None
    elements: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Order:
    """Key of the answer's order; ties go by arrival."""

    key: OrderKey
    descending: bool = False


class Cursor(NamedTuple):
    """Last row of the page before: its order key and its arrival number."""

    key: int | str
    arrival: int
