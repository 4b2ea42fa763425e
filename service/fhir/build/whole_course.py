"""What the whole course says now: uses of devices, due resets, alerts, and which measures are the latest."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from service.clinic.alerts import AlertEpisode
from service.clinic.course import CourseFold
from service.clinic.entries import Check, ClinicalEntry, Installation, Reset
from service.clinic.summary import Summary
from service.fhir.build.context import APPLICATION, CHECK_PANEL, LENGTH, Context, Tree
from service.fhir.build.derived import GAP_MEASURES, PERFUSION
from service.fhir.build.device import device_use
from service.fhir.build.flag import flag, flag_role
from service.fhir.build.identity import Built
from service.fhir.build.loads import SHARE
from service.fhir.build.procedure import RECONCILIATION, REMOVAL, RESET
from service.fhir.build.task import reset_task
from service.fhir.build.use_ends import use_ends
from service.fhir.build.withdrawal import withdrawn

# The Procedure that an entry of each kind is; a check is a panel of Observations.
PART_OF = {
    "installation": APPLICATION,
    "reset": RESET,
    "removal": REMOVAL,
    "reconciliation": RECONCILIATION,
}
_MEASURES = (*GAP_MEASURES, SHARE, PERFUSION)


def uses(context: Context, counting: Sequence[ClinicalEntry]) -> list[Built]:
    """One use for each installation that was ever charted; `counting` are the entries that are not retracted."""
    ends = use_ends(counting)
    built = []
    for entry in context.entries:
        if isinstance(entry.entry, Installation):
            use = device_use(context, entry.entry, ends.get(entry.entry.entry_id))
            built.append(use if entry.retraction is None else withdrawn(use))
    return built


def tasks(context: Context, fold: CourseFold, summary: Summary, now: datetime) -> list[Built]:
    """One due reset for each period between settings."""
    installations = {entry.entry_id: entry for entry in context.installations}
    current: Installation | None = None
    built = []
    for period in fold.reset_periods():
        current = installations.get(period.opened_by, current)
        if period.due is not None and current is not None:
            built.append(reset_task(context, period, period.due, current, summary.bands, now))
    return built


def flags(context: Context, episodes: Iterable[AlertEpisode]) -> list[Built]:
    """One Flag for each alert; one that the same entry raised anew goes on."""
    kinds = {entry.entry.entry_id: entry.entry.kind for entry in context.entries}
    latest = {(episode.raised_by, flag_role(episode)): episode for episode in episodes}
    return [flag(context, episode, _evidence(context, kinds, episode)) for episode in latest.values()]


def _evidence(context: Context, kinds: Mapping[str, str], episode: AlertEpisode) -> Tree | None:
    """The panel or Procedure of the entry whose reading keeps the alert up."""
    names, kind = context.names_of(episode.observed_by), kinds.get(episode.observed_by)
    if kind == "check":
        return names.reference("Observation", CHECK_PANEL)
    role = PART_OF.get(kind or "")
    return names.reference("Procedure", role) if role else None


def latest_widest(context: Context, summary: Summary) -> Tree | None:
    """Reference to the last widest gap that was measured."""
    if summary.gap is None:
        return None
    return context.names_of(summary.gap.entry_id).reference("Observation", "widest-gap")


def latest_results(context: Context, counting: Sequence[ClinicalEntry]) -> list[Tree]:
    """The latest derived Observations, each measure from the last entry that has it."""
    found: dict[str, str] = {}
    for content in reversed(counting):
        for role in _measures_of(content):
            found.setdefault(role, content.entry_id)
        if len(found) == len(_MEASURES):
            break
    results = [context.names_of(found[role]).reference("Observation", role) for role in _MEASURES if role in found]
    return [*results, context.names.reference("Observation", LENGTH)]


def _measures_of(content: ClinicalEntry) -> Iterable[str]:
    """The measures for which an entry has what they are computed from."""
    if isinstance(content, Installation | Check | Reset) and content.bands:
        yield SHARE
    if isinstance(content, Installation | Check) and content.gaps:
        yield from GAP_MEASURES
    if isinstance(content, Check) and None not in (content.diastolic_pressure_mmhg, content.compartment_pressure_mmhg):
        yield PERFUSION
