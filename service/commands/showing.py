"""`due` and `show`: the due board and a course in the terminal."""

import sys
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from service import strict_json
from service.clinic.caution import CAUTION
from service.clinic.counts import ITEMS
from service.clinic.wording import in_order_of_work
from service.config import settings_from
from service.report.course_lines import assessment, patient_line, plan_cells, reset_line, wound_line
from service.report.labels import Local, away, figure, label, percent, reading
from service.report.sparkline import sparkline
from service.report.story import CourseStory, story_of
from service.workflow import UnknownCourse, open_workflow

MARKS = {"high": "!!", "medium": "! ", "low": "- "}  # told by more than a colour


def show_due(within_h: int, as_json: bool) -> int:
    """Print the due board."""
    workflow = open_workflow(settings_from())
    now = datetime.now(UTC)
    try:
        board = workflow.due_board(within_h, now)
        local = Local(ZoneInfo(workflow.settings.zone))
    finally:
        workflow.close()
    if as_json:
        return _print_json(board)
    console = Console()
    console.print(
        _due_table(board["due"], within_h, local, now) if board["due"] else f"No reset is due within {within_h} h."
    )
    console.print(CAUTION, style="italic")
    return 0


def _due_table(rows: list[dict[str, Any]], within_h: int, local: Local, now: datetime) -> Table:
    table = Table(title=f"Resets due within {within_h} h")
    for name in ("course", "due", "", "status", "reason", "bands", "high alerts"):
        table.add_column(name, overflow="fold")  # an id that is cut off is none
    for row in rows:
        due_at = datetime.fromisoformat(row["due_at"])
        bands = ", ".join(str(band) for band in row["bands"])
        status = f"!! {label(row['status'])}" if row["status"] == "overdue" else label(row["status"])
        alerts = ", ".join(label(code) for code in row["high_alerts"])
        table.add_row(
            row["course_id"], local.at(due_at), away(due_at - now), status, label(row["reason"]), bands, alerts
        )
    return table


def show_course(course_id: str, as_json: bool) -> int:
    """Print one course; 1 when there is none of that id."""
    workflow = open_workflow(settings_from())
    now = datetime.now(UTC)
    try:
        if as_json:
            return _print_json(workflow.course_view(course_id, now))
        story = story_of(workflow, course_id, now)
    except UnknownCourse:
        print(f"no such course: {course_id}", file=sys.stderr)
        return 1
    finally:
        workflow.close()
    _print_course(Console(), story)
    return 0


def _print_json(value: Any) -> int:
    sys.stdout.buffer.write(strict_json.write(value) + b"\n")
    return 0


def _print_course(console: Console, story: CourseStory) -> None:
    console.print(f"[bold]{story.course.course_id}[/] ({label(story.summary.state)})  {escape(patient_line(story))}")
    console.print(escape(wound_line(story)))
    console.print(f"[bold]{escape(reset_line(story))}[/]")
    for alert in story.summary.alerts:
        since = story.local.at(alert.since)
        told = escape(story.local.told(alert.text))
        console.print(f"[bold]{MARKS[alert.severity]} {label(alert.severity)}[/] {told} (since {since})")
    for line in assessment(story):
        console.print(escape(line))
    if story.gaps:
        _print_trend(console, story)
    if story.summary.bands:
        console.print(_bands(story))
    console.print(_counts(story))
    console.print(CAUTION, style="italic")


def _print_trend(console: Console, story: CourseStory) -> None:
    widest = [gap.max_gap_mm for gap in story.gaps]
    console.print(f"Widest gap  {sparkline(widest)}  {reading(widest[0])} to {reading(widest[-1])}")
    table = Table("when", "widest gap", "open area", "closed of the first", title="Gap readings", title_justify="left")
    for gap in story.gaps:
        area = figure("open_area_cm2", gap.open_area_cm2)
        table.add_row(story.local.at(gap.at), reading(gap.max_gap_mm), area, percent(gap.closure_fraction))
    console.print(table)


def _bands(story: CourseStory) -> Table:
    columns = ("band", "station", "at rest", "mark", "stretch", "state", "target mark", "draw", "trend")
    table = Table(*columns, title="Bands, in order of work", title_justify="left")
    for band in in_order_of_work(story.summary.bands):
        trend = sparkline([mark.stretch_ratio - 1 for mark in story.marks_of(band.band)])
        table.add_row(*plan_cells(band), trend)
    return table


def _counts(story: CourseStory) -> Table:
    table = Table(
        "item", "in", "out", "found", "left", "escalated", "outstanding", title="Counts", title_justify="left"
    )
    for item in ITEMS:
        count = story.summary.counts.of(item)
        told = (count.removed, count.found, count.left_on_purpose, count.unaccounted_escalated)
        placed = "not charted" if count.placed is None else str(count.placed)
        open_ = "unknown" if count.outstanding is None else str(count.outstanding)
        table.add_row(label(item), placed, *map(str, told), open_)
    return table
