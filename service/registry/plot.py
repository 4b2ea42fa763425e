"""Plots as SVG: a frame that turns values into places, and the marks put into it; a template writes them out.

Colours are those of Okabe and Ito (2008), told apart also with colour-blind eyes; each series has a dash pattern or a
shape of its own besides, so that nothing hangs on colour. Sizes fit a telephone: text is 14 units in a width of 480.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

__all__ = ["SERIES", "Axis", "Band", "Dot", "Label", "Path", "Plot", "percent"]

WIDTH = 480.0
# Colour and dash pattern of a series.
SERIES = (
    ("#0072b2", ""),
    ("#d55e00", "8 4"),
    ("#000000", "2 3"),
    ("#009e73", "10 3 2 3"),
    ("#cc79a7", "4 2"),
)
Place = tuple[float, float]


def percent(value: float) -> str:
    """A share as it stands beside an axis."""
    return f"{100 * value:.0f} %"


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis: values from `low` to `high` between two places, with ticks."""

    title: str
    low: float
    high: float
    start: float
    stop: float
    ticks: tuple[float, ...]
    shown: Callable[[float], str] = "{:g}".format

    def at(self, value: float) -> float:
        """The place of a value; beyond the ends it stays at the end."""
        inside = min(self.high, max(self.low, value))
        return round(self.start + (inside - self.low) / (self.high - self.low) * (self.stop - self.start), 2)

    @property
    def marks(self) -> list[tuple[float, str]]:
        """Place and text of each tick."""
        return [(self.at(tick), self.shown(tick)) for tick in self.ticks]


@dataclass(frozen=True, slots=True)
class Path:
    """A line through places."""

    places: Sequence[Place]
    colour: str = "#000000"
    dash: str = ""
    width: float = 2.0

    @property
    def d(self) -> str:
        """The path's data."""
        return "M" + " L".join(f"{x:g} {y:g}" for x, y in self.places)


@dataclass(frozen=True, slots=True)
class Band:
    """An area between an upper and a lower edge: an uncertainty."""

    upper: Sequence[Place]
    lower: Sequence[Place]
    colour: str

    @property
    def d(self) -> str:
        """The path's data."""
        return "M" + " L".join(f"{x:g} {y:g}" for x, y in (*self.upper, *reversed(self.lower))) + " Z"


@dataclass(frozen=True, slots=True)
class Dot:
    """A point; `shape` is round, diamond or bar (a filled column down to `base`)."""

    x: float
    y: float
    words: str = ""
    shape: str = "round"
    colour: str = "#0072b2"
    base: float = 0.0
    width: float = 0.0


@dataclass(frozen=True, slots=True)
class Label:
    """Text at a place; `anchor` is start, middle or end."""

    x: float
    y: float
    text: str
    anchor: str = "start"
    colour: str = "#000000"


@dataclass(slots=True)
class Plot:
    """One plot with its text alternative: `title` names it, `told` says in words what it shows."""

    key: str
    title: str
    told: str
    height: float
    x: Axis
    y: Axis | None = None
    bands: list[Band] = field(default_factory=list)
    paths: list[Path] = field(default_factory=list)
    dots: list[Dot] = field(default_factory=list)
    labels: list[Label] = field(default_factory=list)
    width: float = WIDTH


def stepped(places: Sequence[Place]) -> list[Place]:
    """A curve that stays until the next place and jumps there."""
    found: list[Place] = []
    for x, y in places:
        if found:
            found.append((x, found[-1][1]))
        found.append((x, y))
    return found
