"""`plan`: the layout plan before an installation, as a table, as JSON or as a printable sheet."""

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from service import strict_json
from service.clinic.layout import LayoutPlan, plan_for
from service.clinic.layout_words import plan_view, rounded_up
from service.config import settings_from
from service.intake.faults import Refused
from service.intake.planning import numbers_of, review_wound
from service.projection import Site, open_site
from service.report.plan_sheet import plan_sheet


def print_plan(file: Path | None, options: Mapping[str, str | None], as_json: bool, sheet: Path | None) -> int:
    """Plan from a JSON file or from options; 1 when what was asked is refused, 2 when asked in both ways."""
    given = {name: text for name, text in options.items() if text is not None}
    if (file is None) == (not given):
        print("give either a JSON file or the lengths as options", file=sys.stderr)
        return 2
    site = open_site(settings_from())
    try:
        sent: Any = numbers_of(given) if file is None else strict_json.read(file.read_bytes())
        wound = review_wound(sent, site.policy)
    except strict_json.Unreadable as fault:
        print(f"{file}: {fault}", file=sys.stderr)
        return 1
    except Refused as refusal:
        for found in refusal.faults:
            where = f"{file}{found.pointer}" if file is not None else _option(found.pointer)
            print(f"{where}: {found.detail}", file=sys.stderr)
        return 1
    _show(plan_for(wound, site.policy, site.bench), site, as_json, sheet)
    return 0


def _option(pointer: str) -> str:
    return "--" + pointer.strip("/").replace("_", "-")


def _show(plan: LayoutPlan, site: Site, as_json: bool, sheet: Path | None) -> None:
    if sheet is not None:
        sheet.write_text(plan_sheet(plan, site.policy, site.bench), "utf-8")
        print(f"sheet written to {sheet}", file=sys.stderr)
    view = plan_view(plan, site.policy, site.bench)
    if as_json:
        sys.stdout.buffer.write(strict_json.write(view) + b"\n")
    elif sheet is None:
        _print_table(Console(), view)


def _print_table(console: Console, view: dict[str, Any]) -> None:
    columns = ("band", "station_mm", "cut mm", "target_stretch_ratio", "target_mark_mm", "order")
    table = Table(*columns, title="Bands", title_justify="left")
    for band in view["bands"]:
        shown = band | {"cut mm": rounded_up(band["cut_length_mm"])}
        table.add_row(*(str(shown[name]) for name in columns))
    console.print(view["text"])
    console.print(table)
    for caution in view["cautions"]:
        console.print(f"- {caution}")
    console.print(view["caution"], style="italic")
