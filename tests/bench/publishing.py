"""A run as JSON for machines, as a table for people, and how cost grows as a drawing."""

import importlib.metadata
import math
import os
import platform
import sqlite3
from collections.abc import Sequence
from datetime import UTC, datetime
from html import escape
from pathlib import Path
from typing import Any

import orjson

from tests.bench.goals import GOALS, Measure

LIBRARIES = ("fastapi", "fhir.resources", "orjson", "pydantic", "sqlalchemy", "psycopg", "uvicorn")
_WIDE, _HIGH, _EDGE = 640, 320, 60
_COLOURS = ("#1f5f8b", "#b4531a", "#3d7a3d", "#7a3d7a")


def written(folder: Path, measures: Sequence[Measure], size: str) -> None:
    """Writes `bench.json` and `growth.svg` into the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "bench.json").write_bytes(orjson.dumps(as_json(measures, size), option=orjson.OPT_INDENT_2))
    (folder / "growth.svg").write_text(drawing(measures), encoding="utf-8")


def as_json(measures: Sequence[Measure], size: str) -> dict[str, Any]:
    """Every goal, measured or not, and every other figure."""
    found = {number: [one for one in measures if one.goal == number] for number in GOALS}
    return {
        "at": datetime.now(UTC).isoformat(timespec="seconds"),
        "size": size,
        "machine": {"system": platform.system(), "machine": platform.machine(), "cores": os.cpu_count()},
        "versions": {name: importlib.metadata.version(name) for name in LIBRARIES}
        | {"python": platform.python_version(), "sqlite": sqlite3.sqlite_version},
        "goals": [
            {
                "goal": number,
                "words": goal.words,
                "bound": goal.bound,
                "at_most": goal.at_most,
                "measured": [
                    {"engine": one.engine, "ratio": round(one.value, 3), "met": one.met, "detail": one.detail}
                    for one in found[number]
                ],
            }
            for number, goal in GOALS.items()
        ],
        "figures": [
            {"what": one.what, "value": round(one.value, 3), "unit": one.unit, "detail": one.detail}
            for one in measures
            if one.goal is None
        ],
    }


def table(measures: Sequence[Measure]) -> str:
    """The same for a terminal."""
    lines = []
    for number, goal in GOALS.items():
        found = [one for one in measures if one.goal == number]
        bound = f"{'<=' if goal.at_most else '>='} {goal.bound:g}"
        for one in found:
            words = f"{goal.words} {f'({one.engine})' if one.engine else ''}"
            lines.append(f"{number:4}{words:84}{one.value:9.2f} x  {bound:8} {'met' if one.met else 'MISSED'}")
        if not found:
            lines.append(f"{number:4}{goal.words:84}{'-':>9}    {bound:8} not measured in this run")
    lines += [f"    {one.what:84}{one.value:9.2f} {one.unit}" for one in measures if one.goal is None]
    return "\n".join(lines)


def drawing(measures: Sequence[Measure]) -> str:
    """Median time of a search and of a check by resources in the store, each against the smallest store; an SVG."""
    curves = []
    for one in measures:
        if one.goal == "5":
            sizes, slow, rates = one.detail["resources"], one.detail["search_p99_ms"], one.detail["checks_a_second"]
            curves.append((f"search p99, {one.engine}", sizes, [each / slow[0] for each in slow]))
            curves.append((f"check to commit, {one.engine}", sizes, [rates[0] / each for each in rates[1:]]))
    return _svg(curves)


def _svg(curves: Sequence[tuple[str, Sequence[int], Sequence[float]]]) -> str:
    logs = [math.log10(size) for _, sizes, _ in curves for size in sizes] or [1.0, 2.0]
    highest = max([2.0, *(value for _, _, values in curves for value in values)])
    left, right = min(logs), max(max(logs), min(logs) + 1)

    def x(size: float) -> float:
        return _EDGE + (math.log10(size) - left) / (right - left) * (_WIDE - 2 * _EDGE)

    def y(value: float) -> float:
        return _HIGH - _EDGE - value / highest * (_HIGH - 2 * _EDGE)

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDE} {_HIGH}" font-family="sans-serif" '
        'font-size="12">',
        f'<text x="{_EDGE}" y="20">Cost as the store grows (1 = smallest store, or the empty one for checks)</text>',
    ]
    for value in range(math.ceil(highest) + 1):
        parts.append(f'<line x1="{_EDGE}" x2="{_WIDE - _EDGE}" y1="{y(value):.0f}" y2="{y(value):.0f}" stroke="#ddd"/>')
        parts.append(f'<text x="{_EDGE - 20}" y="{y(value) + 4:.0f}">{value}</text>')
    for size in sorted({size for _, sizes, _ in curves for size in sizes}):
        parts.append(f'<text x="{x(size):.0f}" y="{_HIGH - _EDGE + 20}" text-anchor="middle">{size:,}</text>')
    for number, (name, sizes, values) in enumerate(curves):
        colour = _COLOURS[number % len(_COLOURS)]
        points = " ".join(f"{x(size):.1f},{y(value):.1f}" for size, value in zip(sizes, values, strict=True))
        parts.append(f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="2"/>')
        parts.append(f'<text x="{_EDGE + 10}" y="{40 + 16 * number}" fill="{colour}">{escape(name)}</text>')
    return "\n".join([*parts, "</svg>", ""])
