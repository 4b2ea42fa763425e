"""The forms of corrections: an entry as it stands, to be charted rightly, or to be taken out of the count."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from service.api.pages.entry_forms import ENTRY_FORMS
from service.api.pages.fields import FOLD, Field, Form, Part, Table, Typed
from service.api.pages.form_parts import who_part
from service.api.pages.typed_times import comes_twice, wall_clock
from service.clinic.entries import Amendment, ClinicalEntry, members_of
from service.clinic.standing import StandingEntry
from service.report.labels import label, who
from service.report.story import CourseStory
from service.report.texts import _

INNER = "entry/"


def amendment_form(story: CourseStory, standing: StandingEntry, typed: Typed) -> Form:
    """The whole entry as it stands, each value to be changed; and why."""
    entry = standing.entry
    inner = ENTRY_FORMS[entry.kind](story, typed, INNER)
    values: dict[str, str | tuple[str, ...]] = dict(_values(entry, story))
    parts = tuple(_fitted(part, entry, typed) for part in inner.parts)
    why = Part(_("Why it is corrected"), (Field("reason", "text", required=True, longest=500, span=True),))
    title = _("Correct: {kind} of {at}").format(kind=label(entry.kind), at=story.local.at(entry.at))
    return Form(
        "amendment",
        title,
        (who_part(), why, *(replace(part, title=f"{part.title} ({_('as it should read')})") for part in parts)),
        values=values,
        constant={"amends": entry.entry_id, f"{INNER}kind": entry.kind, f"{INNER}entry_id": entry.entry_id},
    )


def _fitted(part: Part, entry: ClinicalEntry, typed: Typed) -> Part:
    """The part with as many rows as the entry has, and nothing of other entries beside them."""
    return replace(part, items=tuple(_fitted_table(i, entry) if isinstance(i, Table) else i for i in part.items))


def _fitted_table(table: Table, entry: ClinicalEntry) -> Table:
    listed = getattr(entry, table.name.removeprefix(INNER), None) or ()
    columns = tuple(replace(each, kind="whole") if each.kind == "fixed" else each for each in table.columns)
    return replace(table, columns=columns, rows=max(table.rows, len(listed)), beside=(), heads=(), grows=True)


def _values(entry: ClinicalEntry, story: CourseStory) -> Iterator[tuple[str, str | tuple[str, ...]]]:
    """Every value of the entry by the name of its field; times as the wall clock shows them."""
    zone = story.local.zone
    for name, value in _leaves(members_of(entry), INNER):
        if hasattr(value, "astimezone"):
            shown = wall_clock(value, zone)
            yield from ((name, shown), (f"{name}@shown", shown), (f"{name}@charted", value.isoformat()))
            yield name + FOLD, comes_twice(value, zone)
        else:
            yield name, value


def _leaves(value: Any, name: str) -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _leaves(inner, f"{name}{key}/")
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        for place, inner in enumerate(value):
            yield from _leaves(inner, f"{name}{place}/")
    elif isinstance(value, list):
        yield name.rstrip("/"), tuple(map(str, value))
    elif isinstance(value, bool):
        yield name.rstrip("/"), "true" if value else "false"
    elif hasattr(value, "astimezone"):
        yield name.rstrip("/"), value
    else:
        yield name.rstrip("/"), f"{value:f}" if hasattr(value, "as_tuple") else str(value)


def retraction_form(story: CourseStory, entry: ClinicalEntry | Amendment) -> Form:
    """An entry that should not count; it stays on record. A correction taken back brings back what it corrected."""
    told = _("{kind} of {at} by {who} will no longer count. It stays on record, with this reason.")
    hint = told.format(kind=label(entry.kind), at=story.local.at(entry.at), who=who(entry.performer))
    return Form(
        "retraction",
        _("Retract: {kind} of {at}").format(kind=label(entry.kind), at=story.local.at(entry.at)),
        (
            who_part(),
            Part(_("Why it should not count"), (Field("reason", "text", required=True, longest=500, span=True),), hint),
        ),
        constant={"retracts": entry.entry_id},
    )
