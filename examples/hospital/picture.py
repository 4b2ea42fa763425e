"""Lines over time as SVG, without a library."""

from datetime import datetime
from html import escape

WIDTH, HEIGHT, EDGE = 640, 320, 40
Points = list[tuple[datetime, float]]


def drawn(wounds: dict[str, Points], title: str) -> str:
    """Zero is at the foot: a picture cut off below makes a small change look large."""
    points = [point for each in wounds.values() for point in each]
    if not points:
        return f'<svg xmlns="http://www.w3.org/2000/svg"><text y="20">{escape(title)}: nothing to draw</text></svg>'
    first, last = min(points)[0], max(points)[0]
    span = (last - first).total_seconds() or 1.0
    top = max(value for _, value in points) or 1.0

    def place(at: datetime, value: float) -> str:
        x = EDGE + (WIDTH - 2 * EDGE) * (at - first).total_seconds() / span
        return f"{x:.1f},{HEIGHT - EDGE - (HEIGHT - 2 * EDGE) * value / top:.1f}"

    lines = [
        f'<polyline fill="none" stroke="black" stroke-dasharray="{6 * number} {3 * number}" '
        f'points="{" ".join(place(*point) for point in each)}"><title>{escape(wound)}</title></polyline>'
        for number, (wound, each) in enumerate(sorted(wounds.items()))
    ]
    words = [(EDGE, 20, title), (2, EDGE, f"{top:g}"), (2, HEIGHT - EDGE, "0"),
             (EDGE, HEIGHT - 10, f"{first:%Y-%m-%d}"), (WIDTH - 2 * EDGE, HEIGHT - 10, f"{last:%Y-%m-%d}")]  # fmt: skip
    texts = [f'<text x="{x}" y="{y}" font-size="12">{escape(word)}</text>' for x, y, word in words]
    return f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{HEIGHT}">{"".join(lines + texts)}</svg>'
