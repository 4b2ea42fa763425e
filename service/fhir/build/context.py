"""What all resources share: of a site and its policy (`Frame`), of a course (`Context`), of an entry (`Charting`)."""

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import quote

from service.clinic.entries import ClinicalEntry, Course, Installation, InstalledBand, Performer, Removal
from service.clinic.force import BenchTable
from service.clinic.policy import Policy
from service.clinic.standing import StandingEntry, course_order
from service.fhir.build.identity import Names, hospital_id, identifier_system
from service.fhir.build.values import time_text, words
from service.terminology import Terminology

Tree = dict[str, Any]
Order = tuple[datetime, int, str]

CONDITION, BODY_STRUCTURE, LENGTH = "condition", "body-structure", "length"
PLAN, GOAL, REPORT = "plan", "goal", "report"
DEVICE_USE, CLOSURE_SET, APPLICATION, CHECK_PANEL = "device-use", "closure-set", "application", "check"
RESET_TASK = "reset-task"


class Frame:
    """Everything that depends on site, policy, mapping tables and software only: built once, shared by all courses."""

    def __init__(
        self, site: str, policy: Policy, terms: Terminology, software_version: str, bench: BenchTable | None = None
    ) -> None:
        self.site = site
        self.policy = policy
        self.bench = bench
        self.terms = terms
        self.software_version = software_version
        # (type, identifier system, identifier value) -> id, where a Patient or Encounter of the hospital has another id
        # than `identity.hospital_id` gives
        self.hospital_ids: Mapping[tuple[str, str, str], str] = {}
        self.sid = identifier_system(terms.base, site)
        self.source = f"{terms.base}/site/{quote(site, safe='')}/intake"
        tag = [{"system": f"{terms.base}/mapping-tables", "code": terms.version}]
        self.metas: Mapping[str, Tree] = {
            key: {"source": self.source, "profile": [profile.url], "tag": tag}
            for key, profile in terms.profiles.items()
        }
        self.derived_with = f"policy {policy.name}, version {policy.version}"
        if bench is not None:
            self.derived_with += f"; bench table {bench.name}, version {bench.version}"
        self.methods: Mapping[str, Tree] = {
            key: {"text": f"{formula.text} (formula {key}, version {formula.version}; {self.derived_with})"}
            for key, formula in terms.formulas.items()
        }
        self.exam = [terms.hl7("observation-category", "exam")]
        self.working_range = [
            {
                "low": terms.quantity(policy.stretch_low, "ratio"),
                "high": terms.quantity(policy.stretch_high, "ratio"),
                "type": terms.hl7("reference-range", "recommended"),
            }
        ]
        self.interpretations = {code: [terms.hl7("interpretation", code)] for code in ("L", "N", "H", "A")}


@dataclass(frozen=True, slots=True)
class Bands:
    """The bands of one installation with the references to their Devices."""

    names: Names
    installation: Installation
    by_number: Mapping[int, tuple[InstalledBand, Tree]]

    @property
    def closure_set(self) -> Tree:
        """Reference to the Device of the whole set."""
        return self.names.reference("Device", CLOSURE_SET)


class Context:
    """What all resources of one course share, and where its installations and removals stand in course order."""

    def __init__(self, frame: Frame, course: Course, entries: Sequence[StandingEntry]) -> None:
        self.frame = frame
        self.course = course
        self.entries = tuple(entries)
        self.names = Names(frame.site, frame.sid, course.course_id, None)
        self._names: dict[str, Names] = {}
        self.subject = self._hospital("Patient", course.patient.identifier)
        self.encounter = self._hospital("Encounter", course.encounter.identifier) if course.encounter else None
        self.plan = [self.names.reference("CarePlan", PLAN)]
        self.condition = [self.names.reference("Condition", CONDITION)]
        self.site = frame.terms.concept(f"site-{course.wound.body_site}")
        self.body_site = self._body_site()
        counting = [entry.entry for entry in entries if entry.retraction is None]
        self.installations = [entry for entry in counting if isinstance(entry, Installation)]
        self._installed_at: list[Order] = [course_order(entry) for entry in self.installations]
        self._removed_at: list[Order] = [course_order(entry) for entry in counting if isinstance(entry, Removal)]
        self._bands: dict[int, Bands] = {}

    def _hospital(self, kind: str, identifier: Any) -> Tree:
        named = (kind, identifier.system, identifier.value)
        return {"reference": f"{kind}/{self.frame.hospital_ids.get(named) or hospital_id(self.frame.site, *named)}"}

    def _body_site(self) -> Tree:
        """The coded site with the BodyStructure behind it, an extension of Condition, Observation and Procedure."""
        link = {
            "url": self.frame.terms.extension("body-structure"),
            "valueReference": self.names.reference("BodyStructure", BODY_STRUCTURE),
        }
        return {"extension": [link], **self.site}

    def names_of(self, entry_id: str) -> Names:
        """The names of an entry's resources."""
        found = self._names.get(entry_id)
        if found is None:
            found = self._names[entry_id] = Names(self.frame.site, self.frame.sid, self.course.course_id, entry_id)
        return found

    def bands_of(self, installation: Installation) -> Bands:
        """The bands of an installation; kept, since every check asks for them."""
        found = self._bands.get(id(installation))
        if found is None:
            names = self.names_of(installation.entry_id)
            by_number = {b.band: (b, names.reference("Device", f"band/{b.band}")) for b in installation.bands}
            found = self._bands[id(installation)] = Bands(names, installation, by_number)
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


class Charting:
    """What all resources of one entry share: its names, its time, who charted it, the status of its Observations."""

    __slots__ = ("at", "bands", "content", "context", "frame", "names", "part_of", "performer", "status")

    def __init__(self, context: Context, content: ClinicalEntry, status: str, part_of: str | None = None) -> None:
        self.context = context
        self.frame = context.frame
        self.content = content
        self.names = context.names_of(content.entry_id)
        self.at = time_text(content.at)
        self.performer = [performer_reference(content.performer)]
        self.status = status
        self.bands = context.bands_for(content)
        self.part_of = [self.names.reference("Procedure", part_of)] if part_of else None


def performer_reference(performer: Performer) -> Tree:
    """Who charted, as a logical reference: the hospital knows the person, this service only the identifier."""
    reference: Tree = {"identifier": {"system": performer.identifier.system, "value": performer.identifier.value}}
    if performer.display is not None:
        reference["display"] = words(performer.display)
    return reference
