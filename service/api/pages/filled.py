"""A filled form becomes a document of the intake; the intake's faults become faults of fields.

Nothing is judged here that the intake judges. What is typed like a number is one, anything else stays text and is
refused there. Here stand only what a document cannot say: wall clock times, and stretch ratios instead of marks.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from service.api.pages.fields import FOLD, Field, Form, Table, Typed, rows_typed
from service.api.pages.typed_times import NoInstant, typed_instant
from service.intake.faults import Fault
from service.report.texts import _

NUMBER = re.compile(r"-?\d{1,20}(?:\.\d{1,20})?", re.ASCII)
COMMA = re.compile(r"(\d{1,4}),(\d{1,2})", re.ASCII)  # a decimal comma; three places could be thousands
READ_AS, AS_RATIO = "read_as", "ratio"
MARKS = ("mark_mm",)
Document = dict[str, Any]


@dataclass(slots=True)
class Filled:
    """What a form makes: the document, faults by field name, where each row of the document was typed."""

    document: Document
    faults: dict[str, list[str]] = field(default_factory=dict)
    twice: set[str] = field(default_factory=set)  # times of an hour that comes twice
    rows: dict[str, list[int]] = field(default_factory=dict)  # by table: the typed row of each element
    general: list[str] = field(default_factory=list)

    @property
    def refused(self) -> bool:
        """Whether there is any fault."""
        return bool(self.faults or self.general)

    def add(self, name: str, detail: str) -> None:
        """A fault beside a field."""
        kept = self.faults.setdefault(name, [])
        if detail not in kept:
            kept.append(detail)


def first(typed: Typed, name: str) -> str:
    """What was typed, without space around it; line ends as the intake takes them."""
    sent = typed.get(name) or [""]
    return sent[0].replace("\r\n", "\n").strip()


def filled(form: Form, typed: Typed, zone: ZoneInfo) -> Filled:
    """The document that was typed, and what cannot be said in one."""
    made = Filled({})
    for name, value in form.constant.items():
        _put(made.document, name, value)
    for each in form.fields:
        _read_field(made, each, typed, zone)
    for table in form.tables:
        _read_table(made, form, table, typed)
    return made


def _read_field(made: Filled, each: Field, typed: Typed, zone: ZoneInfo) -> None:
    text = first(typed, each.name)
    if each.kind == "several":
        chosen = [one for one in typed.get(each.name, ()) if one]
        if chosen:
            _put(made.document, each.name, chosen)
    elif text and each.kind == "names":
        _put(made.document, each.name, [part.strip() for part in text.split(",") if part.strip()])
    elif text and each.kind == "time":
        _read_time(made, each.name, text, typed, zone)
    elif text:
        _put(made.document, each.name, _value(each.kind, text))


def _read_time(made: Filled, name: str, text: str, typed: Typed, zone: ZoneInfo) -> None:
    charted, shown = first(typed, f"{name}@charted"), first(typed, f"{name}@shown")
    if charted and text == shown:
        _put(made.document, name, charted)  # untouched: the very instant that was charted
        return
    try:
        _put(made.document, name, typed_instant(text, first(typed, name + FOLD), zone))
    except NoInstant as fault:
        made.add(name, str(fault))
        if fault.twice:
            made.twice.add(name)


def _value(kind: str, text: str) -> Any:
    if kind in ("number", "whole", "fixed"):
        return number(text)
    if kind == "truth":
        return {"true": True, "false": False}.get(text, text)
    return text


def number(text: str) -> Any:
    """A number where one was typed, with point or decimal comma; else the text."""
    plain = COMMA.sub(r"\1.\2", text) if COMMA.fullmatch(text) else text
    return Decimal(plain) if NUMBER.fullmatch(plain) else text


def _read_table(made: Filled, form: Form, table: Table, typed: Typed) -> None:
    listed: list[Document] = []
    for row in range(max(table.rows, rows_typed(table.name, typed))):
        cells = {column.name: first(typed, table.cell(row, column.name)) for column in table.columns}
        if any(cells[column.name] for column in table.columns if column.makes):
            made.rows.setdefault(table.name, []).append(row)
            listed.append(_row(made, form, table, row, cells, first(typed, READ_AS) == AS_RATIO))
    if listed:
        _put(made.document, table.name, listed)


def _row(made: Filled, form: Form, table: Table, row: int, cells: dict[str, str], as_ratio: bool) -> Document:
    said: Document = {}
    for column in table.columns:
        text = cells[column.name]
        if not text:
            continue
        said[column.name] = _value(column.kind, text)
        if as_ratio and column.name in MARKS and cells.get("band", "") in form.rest_marks:
            said[column.name] = _mark_of(made, table.cell(row, column.name), text, form.rest_marks[cells["band"]])
    return said


def _mark_of(made: Filled, name: str, text: str, rest_mark_mm: str) -> Any:
    """The mark of a typed stretch ratio: ratio x mark at rest, without zeros that nobody read."""
    ratio = number(text)
    if not isinstance(ratio, Decimal):
        made.add(name, _("must be a number"))
        return text
    mark = (ratio * Decimal(rest_mark_mm)).normalize()
    return mark if mark.as_tuple().exponent < 0 else mark.quantize(Decimal(1))  # type: ignore[operator]  # finite


def _put(document: Document, name: str, value: Any) -> None:
    *way, leaf = name.split("/")
    for step in way:
        document = document.setdefault(step, {})
    document[leaf] = value


def place_faults(form: Form, made: Filled, found: Iterable[Fault]) -> None:
    """Put the intake's faults beside their fields; what has no field of its own stands above the form.

    Where the form itself found fault with a field, the intake misses its value: that is said once.
    """
    own = set(made.faults)
    for fault in found:
        name = _name(fault.path, made)
        if fault.conflict and name == "entry_id":
            told = _("This form was saved before, with other content. See the course, and correct the entry there.")
            made.general.append(told)
        elif name not in own:
            _place(form, made, name, fault)


def _place(form: Form, made: Filled, name: str, fault: Fault) -> None:
    known = {each.name for each in form.fields} | {table.name for table in form.tables}
    for table in form.tables:
        known |= {table.cell(row, column.name) for row in made.rows.get(table.name, ()) for column in table.columns}
    where = name
    while where and where not in known:
        where = where.rpartition("/")[0]
    if where:
        made.add(where, fault.detail if where == name else f"{name.rpartition('/')[2]}: {fault.detail}")
    else:
        made.general.append(f"{name or _('The form')}: {fault.detail}")


def _name(path: tuple[str | int, ...], made: Filled) -> str:
    """The name of the field at a place of the document: rows as they were typed."""
    steps: list[str] = []
    for step in path:
        if isinstance(step, int):
            typed_rows = made.rows.get("/".join(steps), [])
            steps.append(str(typed_rows[step]) if step < len(typed_rows) else str(step))
        else:
            steps.append(step)
    return "/".join(steps)
