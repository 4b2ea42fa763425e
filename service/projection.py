"""From a course and its entries to checked FHIR resources, without a database.

One site's rules and tables are opened once; a course is folded in time order, its resources are built and each is
validated before anybody sees it.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any, NamedTuple

from msgspec import Struct, field

from service import strict_json
from service.clinic.course import CourseFold, Step, fold_course
from service.clinic.entries import Course
from service.clinic.force import BenchTable
from service.clinic.policy import Policy
from service.clinic.standing import Charted, StandingEntry, appended, standing
from service.config import Settings
from service.fhir import wire
from service.fhir.build.context import Context, Frame
from service.fhir.build.identity import Built
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
    """A resource that passed validation, by itself or inside its Bundle, with the bytes to be stored.

    `entry_id` is None for the course's own.
    """

    type: str
    id: str
    entry_id: str | None
    resource: dict[str, Any]
    content: bytes


class Site(Struct, frozen=True):
    """What decides the projection of a site's courses: its key, policy, tables and the software's version."""

    key: str
    policy: Policy
    frame: Frame
    rules: ProfileRules
    bench: BenchTable | None = None
    us_core: UsCore | None = None
    once: bool = False  # for one Bundle and no more: its resources are validated inside of it

    def sound(self, entry_id: str | None, resource: dict[str, Any]) -> Sound:
        """The resource with its bytes; raises `Unsound` when any layer of validation finds an error."""
        if self.us_core is not None:
            resource = self.us_core.decorated(resource)
        return self._sound(entry_id, resource, _bytes(lambda: wire.write(resource)))

    def sound_built(self, entry_id: str | None, built: Built, before: bytes | None = None) -> Sound:
        """The same of what the projection built, which knows its bytes.

        `before`: bytes of an earlier state that passed here; the same bytes need not be validated again.
        """
        if self.us_core is None:
            return self._sound(entry_id, built.resource, _bytes(lambda: built.content), before)
        decorated = self.us_core.decorated(built.resource)
        return self._sound(entry_id, decorated, _bytes(lambda: wire.write(decorated)), before)

    def _sound(
        self, entry_id: str | None, resource: dict[str, Any], content: bytes | None, before: bytes | None = None
    ) -> Sound:
        if before is not None and content == before:
            return Sound(resource["resourceType"], resource["id"], entry_id, resource, before)
        inside_a_bundle = self.once and resource["resourceType"] != "Bundle"
        sound = inside_a_bundle or is_valid(resource, profile_rules=self.rules, once=self.once)
        if content is None or not sound:
            found = check(resource, profile_rules=self.rules)
            faults = [f"{issue.expression}: {issue.code} ({issue.layer})" for issue in found]
            raise Unsound(f"{resource['resourceType']}/{resource.get('id', '')}: {'; '.join(faults)}")
        return Sound(resource["resourceType"], resource.get("id", ""), entry_id, resource, content)


def _bytes(written: Callable[[], bytes]) -> bytes | None:
    try:
        return written()
    except TypeError:  # no JSON; validation says so in its own words
        return None


class Folded(Struct, frozen=True):
    """The entries of a course as they stand and the fold over all of them; `passed` is what was built of the course.

    Many may hold it at once, so nobody applies an entry to this fold: who goes on copies it.
    """

    course: Course
    entries: Sequence[StandingEntry]
    fold: CourseFold
    passed: Mapping[tuple[str, str], bytes] = field(default_factory=dict)  # type, id -> bytes that passed validation
    context: Context | None = None  # over the same entries; what it has made is not made again


class Projected(Struct, frozen=True):
    """The resources of a course that may have changed, and the fold over all its entries."""

    context: Context
    fold: CourseFold
    of_entries: list[Sound]
    of_course: list[Sound]
    whole: bool  # every resource of the course, not only those of the newest entries and the course's own

    @property
    def resources(self) -> list[Sound]:
        """All of them, those of the entries first."""
        return self.of_entries + self.of_course

    @property
    def folded(self) -> Folded:
        """What the next projection can go on from."""
        passed = {(sound.type, sound.id): sound.content for sound in self.of_course}
        return Folded(self.context.course, self.context.entries, self.fold, passed, self.context)


def settings_of_site(settings: Settings, key: str) -> Settings:
    """The settings of an installation as they hold for one of its sites. Raises `SiteFault`."""
    own = read_own_settings(settings.mappings or folder_of_tables(), key)
    return replace(settings, site=key, zone=own.zone or settings.zone, us_core=own.us_core or settings.us_core)


def open_site(settings: Settings, *, once: bool = False) -> Site:
    """Read the tables, the site's policy, bench table and US Core release; raises with every fault, file and row.

    `once`: to map one course and end; nothing is made that only many courses pay for.
    """
    folder = settings.mappings or folder_of_tables()
    terms = load(folder)
    policy, bench = read_site(folder, settings.site)
    frame = Frame(settings.site, policy, terms, settings.software_version, bench)
    us_core = load_us_core(folder, settings.us_core)
    rules = {**profile_rules(terms), **(us_core.rules() if us_core else {})}
    return Site(settings.site, policy, frame, rules, bench, us_core, once)


def fold_charted(site: Site, course: Course, charted: Sequence[Charted]) -> Folded:
    """A course folded from its first entry on."""
    stands = standing(charted)
    return Folded(course, stands, fold_course(course, stands, site.policy, site.bench))


def project(
    site: Site,
    course: Course,
    before: Sequence[Charted],
    after: Sequence[Charted],
    now: datetime,
    folded: Folded | None = None,
) -> Projected:
    """The resources that entries charted since `before` may have changed.

    Entries appended at the end change their own resources and the course's; a late entry or a correction can change
    those of every entry, so all are built again. With `folded`, the fold over `before`, appended entries cost the same
    however many came before them.
    """
    more = None if folded is None else appended(folded.entries, after[len(before) :])
    if folded is not None and more is not None:
        return _go_on(site, folded, more, now)
    stood, stands = standing(before), standing(after)
    first = len(stood) if stands[: len(stood)] == stood else 0
    fold = fold_course(course, stands[:first], site.policy, site.bench)
    return _built(Context(site.frame, course, stands), fold, site, first, now, {})


def _go_on(site: Site, folded: Folded, more: Sequence[StandingEntry], now: datetime) -> Projected:
    context = folded.context or Context(site.frame, folded.course, folded.entries)
    context = context.after(site.frame, more)
    fold = folded.fold.copy() if more else folded.fold
    return _built(context, fold, site, len(folded.entries), now, folded.passed)


def _built(
    context: Context,
    fold: CourseFold,
    site: Site,
    first: int,
    now: datetime,
    passed: Mapping[tuple[str, str], bytes],
) -> Projected:
    """The resources from an entry on and those of the course; `fold` is over what comes before, and is taken on."""
    built = []
    for entry in context.entries[first:]:
        step = _step(fold, entry)
        built += [site.sound_built(one.entry_id, one) for one in project_entry(context, step)]
    of_course = [
        site.sound_built(None, one, passed.get((one.type, one.id)))
        for one in project_course(context, context.course, fold, now)
    ]
    return Projected(context, fold, built, of_course, whole=first == 0)


def _step(fold: CourseFold, entry: StandingEntry) -> Step:
    """Apply an entry; of a retracted one, what it would have said."""
    if entry.retraction is None:
        fold.apply(entry)
        return Step(entry, fold)
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
