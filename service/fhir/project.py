"""The projection: readings in, FHIR R4 resources out. A pure function; rebuilding gives the same bytes.

`project_entry` gives what one entry says and what follows from it as of that entry; `project_course` what the whole
course says now. `now` decides the priority of the open Task and the Flag `reset-overdue`, nothing else; the order of
arrival decides nothing. Versions and time stamps are the store's.

Of an entry that was amended the resources carry `corrected`; what only an earlier content had, and all of a retracted
entry, is given as entered in error. A Flag or Task that the projection no longer gives (the alert was never raised, as
is known now) has no content here any longer: the store withdraws what it holds, by `withdraw`.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Protocol

from service.clinic.course import CourseFold, Step
from service.clinic.entries import Check, ClinicalEntry, Course, Installation, Outcome, Reconciliation, Removal, Reset
from service.clinic.policy import Policy
from service.clinic.standing import StandingEntry
from service.clinic.summary import Summary
from service.fhir import wire
from service.fhir.build import bedside, counts, derived, device, loads, plan, procedure, readings, report
from service.fhir.build import whole_course as whole
from service.fhir.build import wound as wounds
from service.fhir.build.charting import Charting
from service.fhir.build.context import Context, Frame
from service.fhir.build.identity import Built, Resource
from service.fhir.build.observation import reference_to
from service.fhir.build.provenance import provenance
from service.fhir.build.values import time_text
from service.fhir.build.withdrawal import withdraw, withdrawn
from service.terminology import Terminology

__all__ = [
    "Built",
    "Context",
    "Frame",
    "context_of",
    "project_course",
    "project_entry",
    "provenance",
    "transaction_bundle",
    "withdraw",
]

_ORDER = (
    "Patient", "Encounter", "BodyStructure", "Condition", "Goal", "CarePlan", "Device", "Procedure", "Observation",
    "DeviceUseStatement", "Task", "Flag", "DiagnosticReport", "Provenance",
)  # fmt: skip
_RANK = {name: rank for rank, name in enumerate(_ORDER)}


def context_of(
    site: str,
    course: Course,
    entries: Sequence[StandingEntry],
    policy: Policy,
    terminology: Terminology,
    software_version: str,
) -> Context:
    """What the projection of a course needs. Who projects many courses keeps one `Frame` and calls `Context` itself."""
    return Context(Frame(site, policy, terminology, software_version), course, entries)


def project_entry(context: Context, step: Step) -> list[Built]:
    """The resources of one entry, and those derived as of it."""
    standing = step.entry
    charting = _charting(context, standing.entry, "corrected" if standing.amendments else "final")
    said = _of_content(charting)
    built = said + _as_of(charting, said, step.fold.summary(standing.entry.at))
    if standing.retraction is not None:
        built = [withdrawn(one) for one in built]
    return built + _only_before(context, standing, built)


def project_course(context: Context, course: Course, fold: CourseFold, now: datetime) -> list[Built]:
    """The resources of the whole course: patient, wound, plan, uses of devices, due resets, alerts, progress."""
    summary = fold.summary(context.until)
    kept, outcome = context.kept, summary.outcome
    tasks = whole.tasks(context, fold, summary, now)
    widest = whole.latest_widest(context, summary)
    widest_mm = summary.gap.max_gap_mm if summary.gap is not None else None
    return [
        *kept.built("opened", (), lambda: whole.as_opened(context)),
        kept.built("Condition", (outcome,), lambda: wounds.condition(context, outcome)),
        plan.goal(context, outcome, widest_mm, widest),
        kept.built("CarePlan", (outcome, *(t.id for t in tasks)), lambda: plan.care_plan(context, outcome, tasks)),
        kept.built("length", (), lambda: wounds.wound_length(context)),
        *whole.uses(context),
        *tasks,
        *whole.flags(context, fold.episodes(now)),
        report.progress_report(context, summary, whole.latest_results(context), time_text(context.until)),
    ]


class Placed(Protocol):
    """A resource with its type: what was built, or what was built and checked."""

    @property
    def type(self) -> str:
        """Its resource type."""
        ...

    @property
    def resource(self) -> Resource:
        """Its body."""
        ...


def transaction_bundle(built: Iterable[Placed], provenances: Iterable[Resource], base: str) -> Resource:
    """A transaction of PUTs (http://hl7.org/fhir/R4/bundle.html), what is referred to before what refers to it."""
    resources = [one.resource for one in sorted(built, key=lambda one: _RANK[one.type])] + list(provenances)
    entries = [
        {
            "fullUrl": f"{base}/{(url := resource['resourceType'] + '/' + resource['id'])}",
            "resource": resource,
            "request": {"method": "PUT", "url": url},
        }
        for resource in resources
    ]
    return {"resourceType": "Bundle", "type": "transaction", "entry": entries}


class Written(Protocol):
    """A resource as its bytes: what was built, or what was built and checked."""

    @property
    def type(self) -> str:
        """Its resource type."""
        ...

    @property
    def id(self) -> str:
        """Its id."""
        ...

    @property
    def content(self) -> bytes:
        """It as FHIR JSON."""
        ...


def transaction_bytes(written: Iterable[Written], base: str) -> bytes:
    """The bytes of the transaction Bundle of these resources, put together from theirs."""
    before = b'{"fullUrl":' + wire.write_text(f"{base}/")[:-1]
    parts = [b'{"resourceType":"Bundle","type":"transaction","entry":[']
    for one in sorted(written, key=lambda one: _RANK[one.type]):
        url = f"{one.type}/{one.id}".encode()
        parts += (before, url, b'","resource":', one.content, b',"request":{"method":"PUT","url":"', url, b'"}},')
    parts[-1] = parts[-1].removesuffix(b",")
    return b"".join((*parts, b"]}"))


def _charting(context: Context, content: ClinicalEntry, status: str) -> Charting:
    part_of = whole.PART_OF.get(content.kind)
    if isinstance(content, Outcome) and content.result in procedure.CLOSURE_CONCEPT:
        part_of = procedure.CLOSURE
    return Charting(context, content, status, part_of)


# What an entry says by itself


def _of_content(charting: Charting) -> list[Built]:
    """Everything that the content of an entry alone decides."""
    match charting.content:
        case Installation() as entry:
            read = readings.gaps(charting) + readings.band_readings(charting) + bedside.undermining(charting, entry)
            first = [*device.devices(charting), procedure.application(charting, entry)]
            return first + read
        case Check() as entry:
            read = readings.gaps(charting) + readings.band_readings(charting) + bedside.other_readings(charting, entry)
            panel = [*procedure.dressing_change(charting, entry), bedside.check_panel(charting, read)]
            return panel + read + derived.perfusion_difference(charting)
        case Reset() as entry:
            read = readings.marks_before(charting) + readings.band_readings(charting)
            return [procedure.reset(charting, entry), *read]
        case Removal() as entry:
            return [procedure.removal(charting, entry)]
        case Reconciliation() as entry:
            return [procedure.reconciliation(charting, entry)]
        case Outcome() as entry:
            return [*procedure.closure(charting, entry), counts.course_outcome(charting, entry)]


# What follows from it, as of the entry


def _as_of(charting: Charting, said: Sequence[Built], summary: Summary) -> list[Built]:
    """Everything that needs the entries before it too."""
    content = charting.content
    if isinstance(content, Removal | Reconciliation):
        return counts.counts(charting, summary.counts)
    if isinstance(content, Outcome):
        return []
    of_bands = loads.band_forces(charting, summary.bands) + loads.share_in_range(charting, summary.share_in_range)
    return of_bands if isinstance(content, Reset) else _gap_measures(charting, content, said, summary) + of_bands


def _gap_measures(
    charting: Charting, content: Installation | Check, said: Sequence[Built], summary: Summary
) -> list[Built]:
    stations = [reference_to(one) for one in said if one.role.startswith("gap")]
    if not content.gaps or summary.gap is None or summary.gap.entry_id != content.entry_id:
        reason = content.gaps_not_measured if isinstance(content, Check) else None
        return derived.not_measured(charting, reason or "no gap reading", stations)
    return derived.gap_measures(charting, summary.gap, summary, stations, charting.context.baseline)


# What only an earlier content of the entry had


def _only_before(context: Context, standing: StandingEntry, built: Sequence[Built]) -> list[Built]:
    if not standing.superseded:
        return []
    present = {(one.type, one.role) for one in built}
    before: dict[tuple[str, str], Built] = {}
    for content in standing.superseded:
        charting = _charting(context, content, "final")
        of_bands = loads.band_forces(charting) + loads.share_in_range(charting, loads.share_of_content(charting))
        earlier = _of_content(charting) + of_bands
        before |= {(one.type, one.role): one for one in earlier if (one.type, one.role) not in present}
    return [withdrawn(one) for one in before.values()]
