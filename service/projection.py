"""From a course and its entries to checked FHIR resources, without a database.

One site's rules and tables are opened once; a course is folded in time order, its resources are built and each is
validated before anybody sees it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, NamedTuple

from service import strict_json
from service.clinic.course import CourseFold, Step
from service.clinic.entries import Course
from service.clinic.force import BenchTable
from service.clinic.policy import Policy
from service.clinic.standing import Charted, StandingEntry, standing
from service.config import Settings
from service.fhir import wire
from service.fhir.build.context import Context, Frame
from service.fhir.build.provenance import provenance
from service.fhir.profiles import profile_rules
from service.fhir.project import project_course, project_entry, transaction_bundle
from service.fhir.us_core import UsCore, load_us_core
from service.fhir.validate import ProfileRules, check, is_valid
from service.intake.review import Known, review_course_file
from service.site_files import read_own_settings, read_site
from service.terminology import load
from service.terminology.tables import folder_of_tables


class Unsound(RuntimeError):
    """A built resource failed validation and nothing of its write is kept; names type, id and rule, no readings."""


class Sound(NamedTuple):
    """A resource that passed validation, with the bytes to be stored; `entry_id` is None for the course's own."""

    type: str
    id: str
    entry_id: str | None
    resource: dict[str, Any]
    content: bytes


@dataclass(frozen=True, slots=True)
class Site:
    """What decides the projection of a site's courses: its key, policy, tables and the software's version."""

    key: str
    policy: Policy
    frame: Frame
    rules: ProfileRules
    bench: BenchTable | None = None
    us_core: UsCore | None = None

    def sound(self, entry_id: str | None, resource: dict[str, Any]) -> Sound:
        """The resource with its bytes; raises `Unsound` when any layer of validation finds an error."""
        if self.us_core is not None:
            resource = self.us_core.decorated(resource)
        if not is_valid(resource, profile_rules=self.rules):
            found = check(resource, profile_rules=self.rules)
            faults = [f"{issue.expression}: {issue.code} ({issue.layer})" for issue in found]
            raise Unsound(f"{resource['resourceType']}/{resource.get('id', '')}: {'; '.join(faults)}")
        return Sound(resource["resourceType"], resource.get("id", ""), entry_id, resource, wire.write(resource))


@dataclass(frozen=True, slots=True)
class Projected:
    """The resources of a course that may have changed, and the fold over all its entries."""

    context: Context
    fold: CourseFold
    resources: list[Sound]
    whole: bool  # every resource of the course, not only those of the newest entries and the course's own


def settings_of_site(settings: Settings, key: str) -> Settings:
    """The settings of an installation as they hold for one of its sites. Raises `SiteFault`."""
    own = read_own_settings(settings.mappings or folder_of_tables(), key)
    return replace(settings, site=key, zone=own.zone or settings.zone, us_core=own.us_core or settings.us_core)


def open_site(settings: Settings) -> Site:
    """Read the tables, the site's policy, bench table and US Core release; raises with every fault, file and row."""
    folder = settings.mappings or folder_of_tables()
    terms = load(folder)
    policy, bench = read_site(folder, settings.site)
    frame = Frame(settings.site, policy, terms, settings.software_version, bench)
    us_core = load_us_core(folder, settings.us_core)
    rules = {**profile_rules(terms), **(us_core.rules() if us_core else {})}
    return Site(settings.site, policy, frame, rules, bench, us_core)


def project(
    site: Site, course: Course, before: Sequence[Charted], after: Sequence[Charted], now: datetime
) -> Projected:
    """The resources that entries charted since `before` may have changed.

    Entries appended at the end change their own resources and the course's; a late entry or a correction can change
    those of every entry, so all are built again.
    """
    stood, stands = standing(before), standing(after)
    appended = stands[: len(stood)] == stood
    first = len(stood) if appended else 0
    context = Context(site.frame, course, stands)
    fold = CourseFold(course, site.policy, site.bench)
    built = []
    for position, entry in enumerate(stands):
        step = _step(fold, entry, wanted=position >= first)
        if step is not None:
            built += [site.sound(one.entry_id, one.resource) for one in project_entry(context, step)]
    built += [site.sound(None, one.resource) for one in project_course(context, course, fold, now)]
    return Projected(context, fold, built, whole=first == 0)


def _step(fold: CourseFold, entry: StandingEntry, wanted: bool) -> Step | None:
    """Apply an entry; of a retracted one, what it would have said."""
    if entry.retraction is None:
        fold.apply(entry)
        return Step(entry, fold) if wanted else None
    if not wanted:
        return None
    as_if = fold.copy()
    as_if.take(entry.entry)
    return Step(entry, as_if)


def _bundle(site: Site, projected: Projected, charted: Sequence[Charted], now: datetime, base: str) -> bytes:
    provenances = [_provenance(projected, one, now) for one in charted]
    return site.sound(None, transaction_bundle(projected.resources, provenances, base)).content


def _provenance(projected: Projected, charted: Charted, now: datetime) -> dict[str, Any]:
    entry = charted.entry
    own = _clinical_entry_id(charted)
    targets = [(one.type, one.id, None) for one in projected.resources if one.entry_id == own]
    if not targets:
        targets = [("CarePlan", one.id, None) for one in projected.resources if one.type == "CarePlan"]
    return provenance(projected.context, entry, targets, now)


def _clinical_entry_id(charted: Charted) -> str:
    """The entry whose resources a charted entry speaks of: its own, or those of the one it corrects."""
    entry = charted.entry
    if entry.kind == "amendment":
        return entry.amends
    return entry.retracts if entry.kind == "retraction" else entry.entry_id


def map_document(site: Site, document: Any, now: datetime, base: str, known: Known | None = None) -> bytes:
    """The transaction Bundle that a course file would give; raises `Refused` with every fault of the document."""
    known = known or Known()
    reviewed = review_course_file(document, known, now)
    charted = [*known.entries, *(new.charted for new in reviewed.entries)]
    projected = project(site, reviewed.course, (), charted, now)
    return _bundle(site, projected, charted, now, base)


def map_course_file(document: bytes, site: Site, now: datetime, base: str) -> bytes:
    """The same from the bytes of a course file; raises `strict_json.Unreadable` for what is no JSON."""
    return map_document(site, strict_json.read(document), now, base)
