"""The page of a course, for the ward and for a chart's frame."""

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from service.api.pages.entry_lines import Change, Line, changes, entry_lines
from service.api.pages.rendering import render
from service.api.pages.sent import Sent
from service.clinic.counts import ITEMS
from service.clinic.entries import Amendment, ClinicalEntry
from service.clinic.standing import StandingEntry
from service.clinic.wording import in_order_of_work
from service.report import course_lines
from service.report.drawing import svg
from service.report.sketch import sketch
from service.report.story import CourseStory
from service.report.stretches import stretches
from service.report.trend import trend


@dataclass(frozen=True, slots=True)
class Correction:
    """An amendment and what it changed of the content before it."""

    amendment: Amendment
    changed: list[Change]
    taken_back: str  # the reason, where it was retracted


@dataclass(frozen=True, slots=True)
class Told:
    """An entry as the page tells it."""

    standing: StandingEntry
    lines: list[Line]
    corrections: list[Correction]

    @property
    def entry(self) -> ClinicalEntry:
        """The content that stands."""
        return self.standing.entry


def course_page(
    story: CourseStory,
    *,
    framed: bool = False,
    saved: str = "",
    root: str = "",
    sent: Sequence[Sent] | None = None,
) -> str:
    """The page as HTML. `framed`: to be read only, without script, form or link. `saved`: an entry charted just now.

    `root`: path of the ward. `sent`: what was sent to charts; None where the site sends to nobody.
    """
    drawings = {"sketch": sketch(story), "trend": trend(story), "stretches": stretches(story)}
    return render(
        "course.html",
        story=story,
        summary=story.summary,
        local=story.local,
        framed=framed,
        root=root,
        saved=next((entry for entry in told(story) if entry.entry.entry_id == saved), None) if saved else None,
        saved_id=saved,
        patient=course_lines.patient_line(story),
        wound=course_lines.wound_line(story),
        forecast=course_lines.forecast_line(story),
        reset=course_lines.reset_line(story),
        work=in_order_of_work(story.summary.bands),
        drawings={name: drawn and Markup(svg(drawn, name)) for name, drawn in drawings.items()},
        entries=list(reversed(told(story))),
        items=ITEMS,
        sent=sent,
    )


def told(story: CourseStory) -> list[Told]:
    """Every entry in course order with what was corrected of it."""
    return [
        Told(standing, entry_lines(standing.entry, story.local), _corrections(standing, story))
        for standing in story.entries
    ]


def _corrections(standing: StandingEntry, story: CourseStory) -> list[Correction]:
    """Each amendment beside the content that stood before it, oldest first."""
    taken_back = {amendment.entry_id: retraction.reason for amendment, retraction in standing.withdrawn}
    every = sorted([*standing.amendments, *(one for one, _ in standing.withdrawn)], key=lambda one: one.at)
    found, before = [], standing.original
    for amendment in every:
        changed = changes(before, amendment.entry, story.local)
        found.append(Correction(amendment, changed, taken_back.get(amendment.entry_id, "")))
        if amendment.entry_id not in taken_back:
            before = amendment.entry
    return found
