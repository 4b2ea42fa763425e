"""The form of a check."""

from service.api.pages.fields import Column, Field, Form, Part, Table, Typed
from service.api.pages.form_parts import FRESH_ROWS, expected, many_rows, note_part, who_part
from service.report.labels import NO_FIGURE, figure, reading
from service.report.story import CourseStory
from service.report.texts import _

SKIN = ("intact", "blanching", "blister", "erosion", "anchor-pull-through", "necrosis", "infection-signs")
STATUSES = ("in-place", "partly-in-place", "dislodged", "removed")


def check_form(story: CourseStory, typed: Typed, prefix: str = "") -> Form:
    """A check: gaps at the stations measured last, the bands in place, dressing, skin, device."""
    values: dict[str, str | tuple[str, ...]] = {}
    stations = [station for station, _gap in story.gaps[-1].readings] if story.gaps else []
    for row, station in enumerate(stations):
        values[f"{prefix}gaps/{row}/station_mm"] = f"{station:f}"
    for row, band in enumerate(story.summary.bands):
        values[f"{prefix}bands/{row}/band"] = str(band.band)
    before = [gap for _station, gap in story.gaps[-1].readings] if story.gaps else []
    gaps = Table(
        f"{prefix}gaps",
        (Column("station_mm", "number", makes=False), Column("gap_mm", "number")),
        many_rows(f"{prefix}gaps", typed, len(stations) or FRESH_ROWS),
        tuple((reading(gap),) for gap in before),
        (_("Last time"),),
    )
    return Form(
        "check",
        _("Check"),
        (
            who_part(prefix),
            Part(_("Device"), (Field(f"{prefix}device_status", "choice", required=True, options=STATUSES),)),
            Part(_("Gaps"), (gaps, Field(f"{prefix}gaps_not_measured", "line", longest=200, span=True))),
            Part(_("Bands"), (*_bands_read(story, typed, prefix),)),
            _skin_part(prefix),
            _dressing_part(prefix),
            _pressure_part(prefix),
            _present_part(story, prefix),
            note_part(prefix),
        ),
        values=values,
        rest_marks={str(band.band): f"{band.rest_mark_mm:f}" for band in story.summary.bands},
        computes=True,
    )


def _bands_read(story: CourseStory, typed: Typed, prefix: str) -> tuple[Field | Table, ...]:
    bands = story.summary.bands
    last = {mark.band: mark for mark in story.marks}
    beside = tuple(
        (
            reading(band.rest_mark_mm),
            figure("stretch_ratio", last[band.band].stretch_ratio) if band.band in last else NO_FIGURE,
        )
        for band in bands
    )
    table = Table(
        f"{prefix}bands",
        (Column("band", "fixed", makes=False), Column("mark_mm", "number"), Column("tail_mm", "number")),
        many_rows(f"{prefix}bands", typed, len(bands)),
        beside,
        (_("At rest"), _("Last stretch")),
        grows=False,
    )
    return table, Field(f"{prefix}bands_not_read", "line", longest=200, span=True)


def _skin_part(prefix: str) -> Part:
    return Part(_("Skin and patient"), (
        Field(f"{prefix}skin", "several", options=SKIN, span=True),
        Field(f"{prefix}pain_0_10", "whole"),
        Field(f"{prefix}mobilised", "truth"),
    ))  # fmt: skip


def _dressing_part(prefix: str) -> Part:
    return Part(_("Dressing"), (
        Field(f"{prefix}dressing/changed", "truth"),
        Field(f"{prefix}dressing/covers_anchors", "truth"),
        Field(f"{prefix}dressing/placed", "whole"),
        Field(f"{prefix}dressing/removed", "whole"),
        Field(f"{prefix}dressing/smallest_side_mm", "number"),
        Field(f"{prefix}next_dressing_change_at", "time"),
        Field(f"{prefix}vacuum_therapy_in_use", "truth"),
    ))  # fmt: skip


def _pressure_part(prefix: str) -> Part:
    return Part(_("Pressures"), (
        Field(f"{prefix}compartment_pressure_mmhg", "number"),
        Field(f"{prefix}diastolic_pressure_mmhg", "number"),
    ))  # fmt: skip


def _present_part(story: CourseStory, prefix: str) -> Part:
    return Part(
        _("Counted at the wound"),
        (
            Field(f"{prefix}devices_present/anchors", "whole", hint=expected(story, "anchors")),
            Field(f"{prefix}devices_present/bands", "whole", hint=expected(story, "bands"), label=_("Bands present")),
        ),
    )
