"""A course as it is told to people: its figures now, and every gap and mark reading that stands, in order."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from service.clinic.alerts import AlertEpisode
from service.clinic.bands import stretch_ratio
from service.clinic.entries import Check, ClinicalEntry, Course, Installation, Reset
from service.clinic.gap import GapMetrics
from service.clinic.gap_record import GapRecord
from service.clinic.policy import Policy
from service.clinic.resets import ResetPeriod
from service.clinic.standing import Charted, StandingEntry
from service.clinic.summary import Summary
from service.fhir.build.context import Context
from service.intake.review import Known
from service.projection import Folded, Site, fold_charted
from service.report.labels import Local
from service.store.courses import CourseReads
from service.workflow import UnknownCourse, Workflow
from service.workflow.hospital import knowing
from service.workflow.viewing import view_of_fold


@dataclass(frozen=True, slots=True)
class MarkRead:
    """The stretch of one band at one time; `setting` when the band was set then."""

    band: int
    at: datetime
    stretch_ratio: Decimal
    setting: bool


@dataclass(frozen=True, slots=True)
class CourseStory:
    """What pages, drawings and sheets of a course are made of."""

    course: Course
    policy: Policy
    local: Local
    now: datetime
    summary: Summary
    view: dict[str, Any]
    entries: tuple[StandingEntry, ...]
    charted: tuple[Charted, ...]  # corrections included, in order of arrival
    gaps: tuple[GapMetrics, ...]
    marks: tuple[MarkRead, ...]
    episodes: tuple[AlertEpisode, ...]
    periods: tuple[ResetPeriod, ...]

    @property
    def standing(self) -> list[StandingEntry]:
        """The entries that count, in course order."""
        return [entry for entry in self.entries if entry.retraction is None]

    @property
    def arrival(self) -> int:
        """How far the record goes: the place of the latest entry in the order of arrival."""
        return max((one.arrival for one in self.charted), default=0)

    def marks_of(self, band: int) -> list[MarkRead]:
        """The readings of one band of the latest installation."""
        return [mark for mark in self.marks if mark.band == band]


def tell(
    site: Site, fhir_base: str, zone: ZoneInfo, known: Known, now: datetime, folded: Folded | None = None
) -> CourseStory:
    """The story of a course as charted; `known` holds a course. `folded`: where it is folded already."""
    assert known.course is not None, "only of a course that is there"
    folded = fold_charted(site, known.course, known.entries) if folded is None else folded
    fold, entries = folded.fold, tuple(folded.entries)
    counting = [entry.entry for entry in entries if entry.retraction is None]
    return CourseStory(
        course=known.course,
        policy=site.policy,
        local=Local(zone),
        now=now,
        summary=fold.summary(now),
        view=view_of_fold(fhir_base, Context(site.frame, known.course, ()), fold, now),
        entries=entries,
        charted=tuple(known.entries),
        gaps=_gaps(known.course, counting, site.policy),
        marks=_marks(counting),
        episodes=fold.episodes(now),
        periods=fold.reset_periods(),
    )


def story_of(workflow: Workflow, course_id: str, now: datetime) -> CourseStory:
    """The story of a course as stored; raises `UnknownCourse`."""
    with workflow.store.read(workflow.site.key) as unit:
        return story_within(workflow, unit, course_id, now)


def story_within(workflow: Workflow, unit: CourseReads, course_id: str, now: datetime) -> CourseStory:
    """The same within a read that somebody else has begun."""
    return charted_within(workflow, unit, course_id, now)[1]


def charted_within(workflow: Workflow, unit: CourseReads, course_id: str, now: datetime) -> tuple[Known, CourseStory]:
    """The record of a course, to hold what is sent against, and its story; raises `UnknownCourse`."""
    held = workflow.memory.recall(unit, workflow.site, course_id)
    if held is None:
        raise UnknownCourse(course_id)
    site = knowing(unit, workflow.site, held.folded.course)
    settings = workflow.settings
    return held.known, tell(site, settings.fhir_base, ZoneInfo(settings.zone), held.known, now, held.folded)


def _gaps(course: Course, counting: Sequence[ClinicalEntry], policy: Policy) -> tuple[GapMetrics, ...]:
    """The metrics of every gap reading, by the record that the fold itself keeps."""
    record = GapRecord.begin(course.wound.length_mm, policy)
    return tuple(
        record.add(entry.entry_id, entry.at, entry.gaps)
        for entry in counting
        if isinstance(entry, Installation | Check) and entry.gaps
    )


def _marks(counting: Sequence[ClinicalEntry]) -> tuple[MarkRead, ...]:
    """Every mark reading since the latest installation: a new one brings new bands."""
    found: list[MarkRead] = []
    rest: dict[int, Decimal] = {}
    for entry in counting:
        match entry:
            case Installation():
                rest = {band.band: band.rest_mark_mm for band in entry.bands}
                found = [_mark(band.band, entry, band.mark_mm, rest, True) for band in entry.bands]
            case Check():
                found += [_mark(band.band, entry, band.mark_mm, rest, False) for band in entry.bands or ()]
            case Reset():
                before = [band for band in entry.bands if band.mark_mm_before is not None]
                found += [_mark(band.band, entry, band.mark_mm_before, rest, False) for band in before]
                found += [_mark(band.band, entry, band.mark_mm_after, rest, True) for band in entry.bands]
    return tuple(found)


def _mark(band: int, entry: Any, mark_mm: Any, rest: dict[int, Decimal], setting: bool) -> MarkRead:
    return MarkRead(band, entry.at, stretch_ratio(mark_mm, rest[band]), setting)
