"""How cost grows, as an SVG: one panel for each engine, told apart by mark and dash as well as by colour."""

import math
from collections.abc import Iterator, Sequence
from html import escape
from itertools import pairwise
from typing import Any, NamedTuple

_LEFT, _TOP, _WIDE, _HIGH, _LABELS, _BELOW = 56, 56, 240, 220, 120, 64
_PANEL = _LEFT + _WIDE + _LABELS
_APART = 16  # pixels between two labels, at least
_STEPS = (0.5, 1, 2, 5, 10, 20, 50, 100)
_LINES = 6  # of the grid, at most


class Curve(NamedTuple):
    """Cost at each size, as a ratio."""

    name: str
    costs: Sequence[float]


class Look(NamedTuple):
    """Colour, dashes, and the mark around 0, 0."""

    colour: str
    dashes: str
    mark: str


_LOOKS = (
    Look("#1f5f8b", "none", '<circle r="4.5"/>'),
    Look("#b4531a", "7 4", '<rect x="-4" y="-4" width="8" height="8"/>'),
    Look("#3d7a3d", "2 3", '<path d="M0 -5.5 L5 4 L-5 4 Z"/>'),
)


class Panel(NamedTuple):
    """What one engine costs by the resources in its store."""

    engine: str
    sizes: Sequence[int]
    curves: Sequence[Curve]


def drawing(found: dict[str, Any]) -> str:
    """Of a run as JSON; without a growing store, empty axes."""
    panels = list(_panels(found)) or [Panel("", (10_000, 1_000_000), ())]
    wide, high = _PANEL * len(panels), _TOP + _HIGH + _BELOW
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide} {high}" width="{wide}" height="{high}" '
        'font-family="sans-serif" font-size="12" fill="#222">',
        "<title>Cost by the resources in the store, on logarithmic axes of size</title>",
        f'<rect width="{wide}" height="{high}" fill="#fff"/>',
        f'<text x="{_LEFT}" y="20" font-size="14">Cost as the store grows; '
        "1 = the smallest store, for a check an empty one</text>",
    ]
    highest = max((cost for panel in panels for curve in panel.curves for cost in curve.costs), default=1.0)
    for number, panel in enumerate(panels):
        parts.append(f'<g transform="translate({number * _PANEL + _LEFT} {_TOP})">')
        parts += _drawn(panel, max(2.0, highest))
        parts.append("</g>")
    return "\n".join([*parts, "</svg>", ""])


def _panels(found: dict[str, Any]) -> Iterator[Panel]:
    measured = {goal["goal"]: {one["engine"]: one["detail"] for one in goal["measured"]} for goal in found["goals"]}
    for engine, searches in measured["5"].items():
        exports = measured["7a"][engine]["export_us_each"]
        curves = (
            Curve("search, p99", searches["p99_x"]),
            Curve("check to commit", measured["6"][engine]["check_x"]),
            Curve("export, each", [each / exports[0] for each in exports]),
        )
        yield Panel(engine, searches["resources"], curves)


def _drawn(panel: Panel, highest: float) -> Iterator[str]:
    step = next((step for step in _STEPS if highest / step <= _LINES), highest)
    top = math.ceil(highest / step) * step
    low = math.log10(panel.sizes[0])
    logs = [math.log10(size) - low for size in panel.sizes]
    xs = [_WIDE * log / max(logs[-1], 0.1) for log in logs]

    def y(cost: float) -> float:
        return _HIGH * (1 - cost / top)

    yield f'<text y="-10" font-weight="bold">{escape(panel.engine)}</text>'
    for line in range(round(top / step) + 1):
        at, strong = y(line * step), line * step in (0, 1)
        yield f'<line x2="{_WIDE}" y1="{at:.1f}" y2="{at:.1f}" stroke="{"#888" if strong else "#ddd"}"/>'
        yield f'<text x="-8" y="{at + 4:.1f}" text-anchor="end">{line * step:g} x</text>'
    for size, x in zip(panel.sizes, xs, strict=True):
        yield f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{_HIGH}" y2="{_HIGH + 5}" stroke="#888"/>'
        yield f'<text x="{x:.1f}" y="{_HIGH + 20}" text-anchor="middle">{size:,}</text>'
    yield f'<text x="{_WIDE / 2}" y="{_HIGH + 42}" text-anchor="middle">resources in the store (logarithmic)</text>'
    labels = _spread([y(curve.costs[-1]) for curve in panel.curves])
    for curve, look, label in zip(panel.curves, _LOOKS, labels, strict=False):
        points = [(x, y(cost)) for x, cost in zip(xs, curve.costs, strict=True)]
        yield from _curve(curve.name, points, look, label)


def _curve(name: str, points: Sequence[tuple[float, float]], look: Look, label: float) -> Iterator[str]:
    line = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    x, y = points[-1]
    yield f'<g fill="{look.colour}" stroke="none">'
    yield (
        f'<polyline points="{line}" fill="none" stroke="{look.colour}" stroke-width="2" '
        f'stroke-dasharray="{look.dashes}"/>'
    )
    yield from (f'<g transform="translate({x:.1f} {y:.1f})">{look.mark}</g>' for x, y in points)
    yield f'<line x1="{x + 6:.1f}" y1="{y:.1f}" x2="{x + 14:.1f}" y2="{label:.1f}" stroke="{look.colour}"/>'
    yield f'<text x="{x + 18:.1f}" y="{label + 4:.1f}">{escape(name)}</text></g>'


def _spread(places: Sequence[float]) -> list[float]:
    """Heights of labels, in the order given: as near to their places as they can be without lying on one another."""
    found = list(places)
    order = sorted(range(len(found)), key=found.__getitem__)
    for before, after in pairwise(order):
        found[after] = max(found[after], found[before] + _APART)
    over = max((found[order[-1]] - _HIGH if order else 0), 0)
    return [place - over for place in found]
