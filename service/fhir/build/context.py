"""What all resources of a course share, and what of its entries so far the resources of later ones refer to."""

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any

from service.clinic.entries import Check, ClinicalEntry, Course, Installation, Removal, Reset
from service.clinic.standing import StandingEntry, course_order
from service.fhir.build.frame import Frame
from service.fhir.build.identity import Names, hospital_id
from service.fhir.build.installed import Bands
from service.fhir.build.kept import Kept
from service.fhir.build.use_ends import UseEnds
from service.fhir.build.values import time_text

__all__ = ["Context", "Frame"]

Tree = dict[str, Any]
Order = tuple[datetime, int, str]

CONDITION, BODY_STRUCTURE, LENGTH = "condition", "body-structure", "length"
PLAN, GOAL, REPORT = "plan", "goal", "report"
DEVICE_USE, APPLICATION, CHECK_PANEL = "device-use", "application", "check"
RESET_TASK = "reset-task"
GAP_MEASURES = (
    "widest-gap",
    "open-area",
    "gap-closed-percent",
    "area-closed-percent",
    "gap-closure-rate",
    "gap-parallelism",
    "closable-forecast",
)
SHARE, PERFUSION = "bands-in-range-share", "delta-pressure"


class Context:
    """What all resources of one course share, and what of its entries those of later ones refer to."""

    def __init__(self, frame: Frame, course: Course, entries: Sequence[StandingEntry]) -> None:
        self.frame = frame
        self.course = course
        self.names = Names(frame.site, frame.sid, course.course_id, None)
        self.subject = self._hospital("Patient", course.patient.identifier)
        self.encounter = self._hospital("Encounter", course.encounter.identifier) if course.encounter else None
        self.plan = [self.names.reference("CarePlan", PLAN)]
        self.condition = [self.names.reference("Condition", CONDITION)]
        self.site = frame.concepts[f"site-{course.wound.body_site}"]
        self.body_site = self._body_site()
        self.opened = time_text(course.opened_at)
        self.kept = Kept()
        self.entries: tuple[StandingEntry, ...] = ()
        self.kinds: dict[str, str] = {}  # of every entry, by its id
        self.until = course.opened_at  # when the latest entry that counts was charted
        self.use_ends = UseEnds()
        self.latest_measures: dict[str, str] = {}  # measure -> the latest entry that has what it is computed from
        self.baseline: Tree | None = None  # widest gap of the first gap reading that counts
        self.every_installation: list[tuple[StandingEntry, Installation]] = []  # retracted ones too
        self.installations: list[Installation] = []
        self._installed_at: list[Order] = []
        self._removed_at: list[Order] = []
        self._names: dict[str, Names] = {}
        self._lasting: dict[str, Names] = {}
        self._bands: dict[int, Bands] = {}
        self._take(entries)

    def after(self, frame: Frame, more: Sequence[StandingEntry]) -> "Context":
        """The context with entries that come after all others in course order and correct none of them.

        The same as a new one with all entries; what does not change is not made again. This one stays as it is.
        """
        if not frame.same_as(self.frame):
            return Context(frame, self.course, [*self.entries, *more])
        twin = object.__new__(Context)
        twin.__dict__ |= self.__dict__
        twin.frame, twin.kept = frame, Kept(self.kept)
        twin.kinds, twin.latest_measures = dict(self.kinds), dict(self.latest_measures)
        twin.every_installation, twin.installations = self.every_installation[:], self.installations[:]
        twin._installed_at, twin._removed_at = self._installed_at[:], self._removed_at[:]
        twin._bands, twin._lasting, twin._names = dict(self._bands), dict(self._lasting), {}
        twin._take(more)
        return twin

    def _take(self, entries: Sequence[StandingEntry]) -> None:
        """Further entries, in course order."""
        self.entries = (*self.entries, *entries)
        for standing in entries:
            self.kinds[standing.entry.entry_id] = standing.entry.kind
            if isinstance(standing.entry, Installation):
                self.every_installation.append((standing, standing.entry))
            if standing.retraction is None:
                self._take_counting(standing.entry)

    def _take_counting(self, entry: ClinicalEntry) -> None:
        self.until = entry.at
        self.use_ends = self.use_ends.after(entry)
        for measure in _measures_of(entry):
            self.latest_measures[measure] = entry.entry_id
        if isinstance(entry, Installation):
            self.installations.append(entry)
            self._installed_at.append(course_order(entry))
        if isinstance(entry, Removal):
            self._removed_at.append(course_order(entry))
        if self.baseline is None and isinstance(entry, Installation | Check) and entry.gaps:
            self.baseline = self.names_of(entry.entry_id).reference("Observation", "widest-gap")

    def _hospital(self, kind: str, identifier: Any) -> Tree:
        named = (kind, identifier.system, identifier.value)
        return {"reference": f"{kind}/{self.frame.hospital_ids.get(named) or hospital_id(self.frame.site, *named)}"}

    def _body_site(self) -> Tree:
        """The coded site with the BodyStructure behind it, an extension of Condition, Observation and Procedure."""
        link = {
            "url": self.frame.extensions["body-structure"],
            "valueReference": self.names.reference("BodyStructure", BODY_STRUCTURE),
        }
        return {"extension": [link], **self.site}

    def names_of(self, entry_id: str) -> Names:
        """The names of an entry's resources."""
        return self._named(self._names, entry_id)

    def lasting_names(self, entry_id: str) -> Names:
        """The same, for the few roles that the resources of every later entry ask for again."""
        return self._named(self._lasting, entry_id)

    def _named(self, known: dict[str, Names], entry_id: str) -> Names:
        found = known.get(entry_id)
        if found is None:
            found = known[entry_id] = Names(self.frame.site, self.frame.sid, self.course.course_id, entry_id)
        return found

    def bands_of(self, installation: Installation) -> Bands:
        """The bands of an installation; kept, since every check asks for them."""
        found = self._bands.get(id(installation))
        if found is None:
            names = self.lasting_names(installation.entry_id)
            found = self._bands[id(installation)] = Bands(self.frame, names, installation)
        return found

    def bands_for(self, content: ClinicalEntry) -> Bands | None:
        """The bands that an entry speaks of: its own, or those of the latest installation that counts before it."""
        if isinstance(content, Installation):
            return self.bands_of(content)
        place = bisect_left(self._installed_at, course_order(content))
        return self.bands_of(self.installations[place - 1]) if place else None

    def removed_since(self, bands: Bands, content: ClinicalEntry) -> bool:
        """Whether a removal stands between an installation and an entry."""
        first = bisect_left(self._removed_at, course_order(bands.installation))
        return first < bisect_left(self._removed_at, course_order(content))


def _measures_of(content: ClinicalEntry) -> Iterator[str]:
    """The measures for which an entry has what they are computed from."""
    if isinstance(content, Installation | Check | Reset) and content.bands:
        yield SHARE
    if isinstance(content, Installation | Check) and content.gaps:
        yield from GAP_MEASURES
    if isinstance(content, Check) and None not in (content.diastolic_pressure_mmhg, content.compartment_pressure_mmhg):
        yield PERFUSION
