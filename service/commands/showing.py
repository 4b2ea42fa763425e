"""`due` and `show`: the due board and a course in the terminal."""

import sys
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from rich.console import Console
from rich.table import Table

from service import strict_json
from service.clinic.caution import CAUTION
from service.config import settings_from
from service.workflow import UnknownCourse, open_workflow


def show_due(within_h: int, as_json: bool) -> int:
    """Print the due board."""
    workflow = open_workflow(settings_from())
    try:
        board = workflow.due_board(within_h, datetime.now(UTC))
    finally:
        workflow.close()
    if as_json:
        return _print_json(board)
    table = Table("course", "due", "status", "reason", "bands", title=f"Resets due within {within_h} h")
    for row in board["due"]:
        bands = ", ".join(str(band) for band in row["bands"])
        table.add_row(row["course_id"], row["due_at"], row["status"], row["reason"], bands)
    console = Console()
    console.print(table if board["due"] else f"No reset is due within {within_h} h.")
    console.print(CAUTION, style="italic")
    return 0


def show_course(course_id: str, as_json: bool) -> int:
    """Print one course; 1 when there is none of that id."""
    workflow = open_workflow(settings_from())
    try:
        view = workflow.course_view(course_id, datetime.now(UTC))
    except UnknownCourse:
        print(f"no such course: {course_id}", file=sys.stderr)
        return 1
    finally:
        workflow.close()
    if as_json:
        return _print_json(view)
    _print_course(Console(), view)
    return 0


def _print_json(value: Any) -> int:
    sys.stdout.buffer.write(strict_json.write(value) + b"\n")
    return 0


def _print_course(console: Console, view: dict[str, Any]) -> None:
    console.print(f"[bold]{view['course_id']}[/] ({view['state']})")
    console.print(_figures(view["latest"]))
    console.print(_bands(view["bands"]))
    reset = view.get("next_reset")
    if reset:
        bands = ", ".join(str(band) for band in reset["bands"])
        console.print(f"Next reset: {reset['due_at']} ({reset['status']}), reason {reset['reason']}, bands {bands}")
    for alert in view["alerts"]:
        console.print(f"[bold]{alert['severity']}[/] {alert['code']} since {alert['since']}: {alert['text']}")
    console.print(_counts(view["counts"]))
    console.print(CAUTION, style="italic")


def _figures(latest: dict[str, Any]) -> Table:
    table = Table("figure", "value", title="Latest")
    for name, value in latest.items():
        if not isinstance(value, dict | list):
            table.add_row(name, _shown(value))
    return table


def _bands(bands: list[dict[str, Any]]) -> Table:
    columns = {
        "band": "band",
        "station_mm": "at mm",
        "stretch_ratio": "stretch",
        "state": "state",
        "target_stretch_ratio": "target",
        "target_mark_mm": "mark to set mm",
        "draw_mm": "draw mm",
    }
    table = Table(*columns.values(), title="Bands")
    for band in bands:
        table.add_row(*(_shown(band.get(name)) for name in columns))
    return table


def _counts(counts: dict[str, dict[str, Any]]) -> Table:
    columns = ("placed", "removed", "found", "left_on_purpose", "unaccounted_escalated", "outstanding")
    table = Table("item", "in", "out", "found", "left", "lost", "open", title="Counts")
    for item, row in counts.items():
        table.add_row(item, *("unknown" if row.get(name) is None else str(row[name]) for name in columns))
    return table


def _shown(value: Any) -> str:
    """A figure for reading at the bedside: two decimals where it has more."""
    if isinstance(value, Decimal) and value != (short := round(value, 2)):
        return str(short)
    return "" if value is None else str(value)
