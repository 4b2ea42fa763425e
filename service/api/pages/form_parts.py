"""What the forms of all entries have in common: who and when, notes, rows, what is expected by the record."""

from service.api.pages.fields import Field, Part, Typed, rows_typed
from service.report.story import CourseStory
from service.report.texts import _

FRESH_ROWS, MORE_ROWS = 6, 4


def who_part(prefix: str = "") -> Part:
    """When and by whom."""
    return Part(
        _("When and who"),
        (
            Field(f"{prefix}at", "time", required=True),
            Field(f"{prefix}performer/identifier/value", "line", required=True, label=_("Staff number"), longest=64),
            Field(f"{prefix}performer/display", "line", label=_("Name"), longest=100),
            Field(
                f"{prefix}performer/identifier/system",
                "line",
                required=True,
                label=_("Staff numbers are those of"),
                hint=_("An address that names the register, such as https://hospital.example/staff-number"),
                longest=200,
            ),
        ),
    )


def note_part(prefix: str = "") -> Part:
    """Free words."""
    return Part(_("Note"), (Field(f"{prefix}note", "text", longest=2000, span=True),))


def many_rows(table: str, typed: Typed, known: int) -> int:
    """How many rows: those that are known, those that were typed, and more where more were asked for."""
    more = MORE_ROWS if table in typed.get("more", ()) else 0
    return max(known, rows_typed(table, typed)) + more


def expected(story: CourseStory, item: str) -> str:
    """How many pieces there should be, in words."""
    count = story.summary.counts.of(item).outstanding
    return _("unknown by the record") if count is None else _("{count} by the record").format(count=count)
