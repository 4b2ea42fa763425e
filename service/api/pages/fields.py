"""Forms as plain values: fields named by their pointer into the document that they make.

The name of a field is the place of its value, `dressing/changed` or `bands/3/mark_mm`; so a fault of the intake, which
carries a pointer, is shown beside the field it is about.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal, TypeVar

from service.api.pages.members import member_label, member_unit
from service.report.labels import label

Kind = Literal["number", "whole", "line", "text", "choice", "several", "truth", "time", "day", "fixed", "names"]
FOLD = "@fold"  # which of the two hours, where a clock goes back
Typed = Mapping[str, Sequence[str]]
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Field:
    """One value of the document. `options`: words of the contract; `hint`: what stands below it."""

    name: str
    kind: Kind
    required: bool = False
    options: tuple[str, ...] = ()
    hint: str = ""
    label: str = ""
    longest: int = 0
    span: bool = False  # as wide as the form

    @property
    def leaf(self) -> str:
        """The last step of the name."""
        return self.name.rpartition("/")[2]

    @property
    def said(self) -> str:
        """Its label."""
        return self.label or member_label(self.leaf)

    @property
    def unit(self) -> str:
        """Its unit."""
        return member_unit(self.leaf)

    @property
    def choices(self) -> list[tuple[str, str]]:
        """Its options with their labels."""
        return [(option, label(option)) for option in self.options]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table. Only what `makes` a row brings its row into the document."""

    name: str
    kind: Kind
    makes: bool = True
    label: str = ""

    @property
    def said(self) -> str:
        """Its label."""
        return self.label or member_label(self.name)

    @property
    def unit(self) -> str:
        """Its unit."""
        return member_unit(self.name)


@dataclass(frozen=True, slots=True)
class Table:
    """A list of the document, one row an element; `beside`: what is known of each row already."""

    name: str
    columns: tuple[Column, ...]
    rows: int
    beside: tuple[tuple[str, ...], ...] = ()
    heads: tuple[str, ...] = ()  # of what stands beside
    grows: bool = True  # whether more rows may be asked for
    hint: str = ""

    @property
    def said(self) -> str:
        """Its label."""
        return member_label(self.name.rpartition("/")[2])

    def cell(self, row: int, column: str) -> str:
        """Name of a cell."""
        return f"{self.name}/{row}/{column}"

    def label_of(self, row: int, column: Column, shown: Mapping[str, str]) -> str:
        """What a cell is called where only one thing can be said: `Band 3, mark, mm`."""
        first = self.columns[0]
        begun = shown.get(self.cell(row, first.name), "") or str(row + 1)
        unit = f", {column.unit}" if column.unit else ""
        return f"{self.said} {begun}: {column.said}{unit}"


@dataclass(frozen=True, slots=True)
class Part:
    """Some fields and tables that belong together."""

    title: str
    items: tuple[Field | Table, ...]
    hint: str = ""


@dataclass(frozen=True, slots=True)
class Form:
    """A whole form: its parts, what stands in them at first, and what it makes.

    `constant`: members of the document that nobody types. `rest_marks`: by band, for marks typed as stretch ratios.
    """

    kind: str
    title: str
    parts: tuple[Part, ...]
    values: Mapping[str, str | tuple[str, ...]] = field(default_factory=dict)
    constant: Mapping[str, str] = field(default_factory=dict)
    rest_marks: Mapping[str, str] = field(default_factory=dict)
    computes: bool = False  # whether figures are shown while one types
    caution: str = ""

    @property
    def fields(self) -> list[Field]:
        """Every field that is no cell of a table."""
        return [item for part in self.parts for item in part.items if isinstance(item, Field)]

    @property
    def tables(self) -> list[Table]:
        """Every table."""
        return [item for part in self.parts for item in part.items if isinstance(item, Table)]


def rows_typed(name: str, typed: Typed) -> int:
    """How many rows of a table were sent."""
    begun = f"{name}/"
    places = [key[len(begun) :].partition("/")[0] for key in typed if key.startswith(begun)]
    return max((int(place) + 1 for place in places if place.isascii() and place.isdecimal()), default=0)
