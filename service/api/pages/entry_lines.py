"""What an entry says, a line for each member, and what a correction changed."""

from collections.abc import Iterator
from datetime import datetime
from decimal import Decimal
from typing import Any, NamedTuple

from service.api.pages.members import member_label, member_unit
from service.clinic.entries import ClinicalEntry, members_of
from service.report.labels import Local, label
from service.report.texts import _

OWN = frozenset({"kind", "entry_id", "at", "performer", "note"})  # told apart


class Line(NamedTuple):
    """A member in words."""

    label: str
    text: str


class Change(NamedTuple):
    """A member that a correction changed."""

    label: str
    before: str
    after: str


def entry_lines(entry: ClinicalEntry, local: Local) -> list[Line]:
    """What the entry says, in the order of the contract."""
    said = {name: value for name, value in members_of(entry).items() if name not in OWN}
    return list(_lines(said, local))


def changes(before: ClinicalEntry, after: ClinicalEntry, local: Local) -> list[Change]:
    """Every line that reads otherwise, time, performer and note included."""
    old, new = (dict(_whole(one, local)) for one in (before, after))
    names = [*old, *(name for name in new if name not in old)]
    nothing = _("nothing")
    return [Change(n, old.get(n, nothing), new.get(n, nothing)) for n in names if old.get(n) != new.get(n)]


def _whole(entry: ClinicalEntry, local: Local) -> Iterator[tuple[str, str]]:
    yield member_label("at"), local.at(entry.at)
    yield _("Who"), f"{entry.performer.display or ''} {entry.performer.identifier.value}".strip()
    yield from entry_lines(entry, local)
    if entry.note:
        yield member_label("note"), entry.note


def _lines(said: dict[str, Any], local: Local, under: str = "") -> Iterator[Line]:
    for name, value in said.items():
        if name == "responsible":
            who = value.get("display") or value["identifier"]["value"]
            yield Line(_("Responsible"), who)
        elif isinstance(value, dict):
            yield from _lines(value, local, name)
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            yield Line(member_label(name), "; ".join(_row(row) for row in value))
        else:
            named = _("Bands present") if under == "devices_present" and name == "bands" else member_label(name)
            yield Line(named, _text(name, value, local))


def _row(row: dict[str, Any]) -> str:
    """One element of a list: `band 3: mark 17.5 mm, tail 75 mm`; a gap by its station."""
    if "gap_mm" in row:
        return _("at {station} mm: {gap} mm").format(station=row["station_mm"], gap=row["gap_mm"])
    named = [
        f"{member_label(name).lower()} {value} {member_unit(name)}" for name, value in row.items() if name != "band"
    ]
    return _("band {band}: {said}").format(band=row["band"], said=", ".join(named))


def _text(name: str, value: Any, local: Local) -> str:
    if isinstance(value, bool):
        return _("yes") if value else _("no")
    if isinstance(value, datetime):
        return local.at(value)
    if isinstance(value, list):
        return ", ".join(label(str(one)) for one in value)
    if isinstance(value, Decimal | int):
        return f"{value} {member_unit(name)}".rstrip()
    return label(value) if name in _CODED else str(value)


_CODED = frozenset({"device_status", "result", "item"})  # words of the contract; other texts are what somebody typed
