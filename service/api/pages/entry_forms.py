"""The forms of the entries: which fields each kind of the intake contract has, and what is known of them already.

Nothing that has to be read or counted at the bedside is filled in beforehand: what is expected stands beside it.
"""

from collections.abc import Callable, Mapping

from service.api.pages.check_form import check_form
from service.api.pages.fields import Column, Field, Form, Part, Table, Typed
from service.api.pages.form_parts import FRESH_ROWS, expected, many_rows, note_part, who_part
from service.clinic.counts import ITEMS
from service.clinic.wording import in_order_of_work
from service.report.labels import NO_FIGURE, figure, label
from service.report.story import CourseStory
from service.report.texts import _, later

REASONS = ("closed", "intolerance", "infection", "revision", "other")
RESULTS = (
    "primary-closure", "partial-closure-and-graft", "graft", "flap", "secondary-healing", "abandoned", "died",
)  # fmt: skip
COUNT_CAUTION = later("Count what is there, then compare. What does not agree is looked for before the patient leaves.")
READ_AGAIN = later(
    "Read every mark again after setting. The plan is a proposal: local protocol and the surgeon decide."
)
Maker = Callable[[CourseStory, Typed, str], Form]


def installation_form(story: CourseStory, typed: Typed, prefix: str = "") -> Form:
    """An installation: layout, bands, first gaps, dressings placed."""
    before = story.summary.installation
    rest = f"{before.bands[0].rest_mark_mm:f}" if before is not None else ""
    bands, gaps = f"{prefix}bands", f"{prefix}gaps"
    many = many_rows(bands, typed, FRESH_ROWS)
    values: dict[str, str | tuple[str, ...]] = {f"{bands}/{row}/band": str(row + 1) for row in range(many)}
    if rest:
        values |= {f"{bands}/{row}/rest_mark_mm": rest for row in range(many)}
    columns = (
        Column("band", "whole", makes=False),
        Column("station_mm", "number"),
        Column("rest_mark_mm", "number", makes=False),
        Column("mark_mm", "number"),
        Column("tail_mm", "number"),
    )
    return Form(
        "installation",
        _("Installation"),
        (
            who_part(prefix),
            _layout_part(prefix),
            Part(_("Bands"), (Table(bands, columns, many),), _("Stations rise with the band number.")),
            Part(_("First gaps"), (_fresh_gaps(gaps, typed),)),
            Part(
                _("Count in"),
                (Field(f"{prefix}dressings_placed", "whole"),),
                _("Left open it stays unknown for the whole course."),
            ),
            note_part(prefix),
        ),
        values=values,
        caution=_(COUNT_CAUTION),
    )


def _layout_part(prefix: str) -> Part:
    return Part(_("Layout"), (
        Field(f"{prefix}anchors_per_side", "whole", required=True),
        Field(f"{prefix}anchor_interval_mm", "number", required=True),
        Field(f"{prefix}setback_mm", "number", required=True),
        Field(f"{prefix}undermined_mm", "number"),
    ))  # fmt: skip


def _fresh_gaps(name: str, typed: Typed) -> Table:
    return Table(name, (Column("station_mm", "number"), Column("gap_mm", "number")), many_rows(name, typed, FRESH_ROWS))


def reset_form(story: CourseStory, typed: Typed, prefix: str = "") -> Form:
    """A reset: in order of work, with the target beside what is read after setting."""
    bands = in_order_of_work(story.summary.bands)
    name = f"{prefix}bands"
    columns = (
        Column("band", "fixed", makes=False),
        Column("mark_mm_before", "number"),
        Column("mark_mm_after", "number"),
        Column("tail_mm", "number"),
    )
    beside = tuple(
        (
            figure("stretch_ratio", band.stretch_ratio),
            NO_FIGURE if band.target_mark_mm is None else figure("target_mark_mm", band.target_mark_mm),
            NO_FIGURE if band.draw_mm is None else figure("draw_mm", band.draw_mm),
        )
        for band in bands
    )
    heads = (_("Stretch"), _("Target mark"), _("Draw"))
    return Form(
        "reset",
        _("Reset"),
        (
            who_part(prefix),
            Part(
                _("Bands, in order of work"),
                (Table(name, columns, many_rows(name, typed, len(bands)), beside, heads, grows=False),),
                _("Only bands with a mark after setting are charted."),
            ),
            note_part(prefix),
        ),
        values={f"{name}/{row}/band": str(band.band) for row, band in enumerate(bands)},
        computes=True,
        caution=_(READ_AGAIN),
    )


def removal_form(story: CourseStory, typed: Typed, prefix: str = "") -> Form:
    """A removal: what was counted out, and why."""
    counted = tuple(
        Field(f"{prefix}{item}_removed", "whole", required=True, hint=expected(story, item)) for item in ITEMS
    )
    return Form(
        "removal",
        _("Removal"),
        (
            who_part(prefix),
            Part(_("Count out"), counted),
            Part(_("Why"), (Field(f"{prefix}reason", "choice", required=True, options=REASONS),)),
            note_part(prefix),
        ),
        caution=_(COUNT_CAUTION),
    )


def reconciliation_form(story: CourseStory, typed: Typed, prefix: str = "") -> Form:
    """What became of items that a removal or a check did not account for."""
    given = tuple(
        Field(f"{prefix}{name}", "whole", required=True)
        for name in ("found", "left_on_purpose", "unaccounted_escalated")
    )
    responsible = (
        Field(f"{prefix}responsible/identifier/value", "line", required=True, label=_("Staff number"), longest=64),
        Field(f"{prefix}responsible/display", "line", label=_("Name"), longest=100),
        Field(
            f"{prefix}responsible/identifier/system", "line", required=True, label=_("Staff numbers are those of"),
            longest=200,
        ),
    )  # fmt: skip
    items = "; ".join(f"{label(item)}: {expected(story, item)}" for item in ITEMS)
    return Form(
        "reconciliation",
        _("Reconciliation of counts"),
        (
            who_part(prefix),
            Part(
                _("Items"), (Field(f"{prefix}item", "choice", required=True, options=ITEMS, span=True), *given), items
            ),
            Part(_("Who is responsible"), responsible),
            Part(_("Why"), (Field(f"{prefix}reason", "text", required=True, longest=500, span=True),)),
            note_part(prefix),
        ),
        values={f"{prefix}{name}": "0" for name in ("found", "left_on_purpose", "unaccounted_escalated")},
        caution=_(COUNT_CAUTION),
    )


def outcome_form(story: CourseStory, typed: Typed, prefix: str = "") -> Form:
    """How the course ended."""
    return Form(
        "outcome",
        _("Outcome"),
        (
            who_part(prefix),
            Part(_("Outcome"), (
                Field(f"{prefix}result", "choice", required=True, options=RESULTS, span=True),
                Field(f"{prefix}closed_at", "time"),
            )),
            note_part(prefix),
        ),
    )  # fmt: skip


ENTRY_FORMS: Mapping[str, Maker] = {
    "installation": installation_form,
    "check": check_form,
    "reset": reset_form,
    "removal": removal_form,
    "reconciliation": reconciliation_form,
    "outcome": outcome_form,
}
