"""Drawings as plain shapes, so that page, FHIR and sheet show one and the same picture.

A drawing is measured in points, y downwards. Colours are roles, not values: each surface has its own palette. What a
colour says is said by shape or word as well.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from xml.sax.saxutils import escape, quoteattr

# Roles of the light palette: ink on paper, faint lines, what is measured, the open wound, the range, what needs a look.
LIGHT = {
    "ink": "#1b2a33",
    "paper": "#fbfaf7",
    "line": "#8b877c",
    "mark": "#1f5f63",
    "wound": "#f0ddd5",
    "range": "#dfe9e6",
    "look": "#8a2d12",
    "none": "none",
}


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line."""

    x1: float
    y1: float
    x2: float
    y2: float
    stroke: str = "ink"
    width: float = 1.0
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Path:
    """A line through points; closed, it has an area."""

    points: tuple[tuple[float, float], ...]
    stroke: str = "ink"
    width: float = 1.0
    fill: str = "none"
    closed: bool = False
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Dot:
    """A circle."""

    x: float
    y: float
    r: float
    stroke: str = "ink"
    fill: str = "ink"
    width: float = 1.0


@dataclass(frozen=True, slots=True)
class Words:
    """A line of text; y is its baseline."""

    x: float
    y: float
    text: str
    size: float = 12.0
    anchor: str = "start"  # start | middle | end
    bold: bool = False
    fill: str = "ink"


Shape = Line | Path | Dot | Words


@dataclass(slots=True)
class Drawing:
    """Shapes on a ground, with what they show in words."""

    width: float
    height: float
    title: str
    description: str
    shapes: list[Shape] = field(default_factory=list)

    def add(self, *shapes: Shape) -> None:
        """Put shapes over those that are there."""
        self.shapes += shapes


def rectangle(x: float, y: float, width: float, height: float, fill: str, stroke: str = "none") -> Path:
    """A filled rectangle."""
    corners = ((x, y), (x + width, y), (x + width, y + height), (x, y + height))
    return Path(corners, stroke=stroke, fill=fill, closed=True)


def triangle(x: float, y: float, size: float, up: bool, stroke: str, fill: str) -> Path:
    """A triangle about a point, its tip up or down."""
    tip, base = (y - size, y + size * 0.8) if up else (y + size, y - size * 0.8)
    return Path(((x, tip), (x + size, base), (x - size, base)), stroke=stroke, fill=fill, closed=True, width=1.4)


def svg(drawing: Drawing, name: str, alone: bool = False) -> str:
    """The drawing as SVG. `name` makes ids unique in a page; `alone`: a file of its own, with ground and namespace.

    Classes name the roles, so that a page's stylesheet can give them its own palette; the attributes are the light one.
    """
    size = f'viewBox="0 0 {_n(drawing.width)} {_n(drawing.height)}"'
    space = ' xmlns="http://www.w3.org/2000/svg"'
    fixed = f' width="{_n(drawing.width)}" height="{_n(drawing.height)}"'
    told = f"<title id={quoteattr(name + '-t')}>{escape(drawing.title)}</title>"
    told += f"<desc id={quoteattr(name + '-d')}>{escape(drawing.description)}</desc>"
    ground = [rectangle(0, 0, drawing.width, drawing.height, "paper")] if alone else []
    body = "".join(_shape(shape) for shape in [*ground, *drawing.shapes])
    labelled = f"aria-labelledby={quoteattr(name + '-t ' + name + '-d')}"
    font = 'font-family="DejaVu Sans, system-ui, sans-serif"'
    return f'<svg{space} role="img" {labelled} {size}{fixed} class="drawing" {font}>{told}{body}</svg>'


def _shape(shape: Shape) -> str:
    match shape:
        case Line():
            place = f'x1="{_n(shape.x1)}" y1="{_n(shape.y1)}" x2="{_n(shape.x2)}" y2="{_n(shape.y2)}"'
            return f"<line {place}{_paint('', shape.stroke, shape.width, shape.dash)}/>"
        case Path():
            points = " ".join(f"{_n(x)},{_n(y)}" for x, y in shape.points)
            kind = "polygon" if shape.closed else "polyline"
            return f'<{kind} points="{points}"{_paint(shape.fill, shape.stroke, shape.width, shape.dash)}/>'
        case Dot():
            place = f'cx="{_n(shape.x)}" cy="{_n(shape.y)}" r="{_n(shape.r)}"'
            return f"<circle {place}{_paint(shape.fill, shape.stroke, shape.width)}/>"
        case Words():
            place = f'x="{_n(shape.x)}" y="{_n(shape.y)}" font-size="{_n(shape.size)}"'
            anchor = "" if shape.anchor == "start" else f' text-anchor="{shape.anchor}"'
            bold = ' font-weight="bold"' if shape.bold else ""
            return f"<text {place}{anchor}{bold}{_paint(shape.fill, 'none', 0)}>{escape(shape.text)}</text>"


def _paint(fill: str, stroke: str, width: float, dash: Sequence[float] = ()) -> str:
    """Classes by role and the light palette's values; a line has no fill to speak of."""
    classes = [f"f-{fill}"] if fill not in ("", "none") else []
    classes += [f"s-{stroke}"] if stroke != "none" else []
    said = f' class="{" ".join(classes)}"' if classes else ""
    said += f' fill="{LIGHT[fill]}"' if fill else ""
    if stroke == "none":
        return said
    said += f' stroke="{LIGHT[stroke]}" stroke-width="{_n(width)}"'
    return said + (f' stroke-dasharray="{" ".join(_n(part) for part in dash)}"' if dash else "")


def _n(number: float) -> str:
    """Two decimals at most, so that the same picture has the same bytes and few of them."""
    return f"{number:.2f}".rstrip("0").rstrip(".") or "0"
