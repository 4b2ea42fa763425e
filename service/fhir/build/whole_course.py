"""What the whole course says now: uses of devices, due resets, alerts, and which measures are the latest."""

from collections.abc import Iterable
from datetime import datetime
from functools import partial
from typing import Any

from service.clinic.alerts import AlertEpisode
from service.clinic.course import CourseFold
from service.clinic.entries import Installation
from service.clinic.standing import StandingEntry
from service.clinic.summary import Summary
from service.fhir.build.context import (
    APPLICATION,
    CHECK_PANEL,
    GAP_MEASURES,
    LENGTH,
    PERFUSION,
    SHARE,
    Context,
)
from service.fhir.build.device import device_use
from service.fhir.build.flag import flag, flag_role
from service.fhir.build.identity import Built
from service.fhir.build.patient import encounter, patient
from service.fhir.build.procedure import RECONCILIATION, REMOVAL, RESET
from service.fhir.build.task import reset_task
from service.fhir.build.withdrawal import withdrawn
from service.fhir.build.wound import body_structure

Tree = dict[str, Any]
# The Procedure that an entry of each kind is; a check is a panel of Observations.
PART_OF = {
    "installation": APPLICATION,
    "reset": RESET,
    "removal": REMOVAL,
    "reconciliation": RECONCILIATION,
}
_MEASURES = (*GAP_MEASURES, SHARE, PERFUSION)


def as_opened(context: Context) -> list[Built]:
    """Patient, Encounter and BodyStructure, which the opening of the course alone decides."""
    return [patient(context), *encounter(context), body_structure(context)]


def uses(context: Context) -> list[Built]:
    """One use for each installation that was ever charted."""
    return [_use(context, standing, installation) for standing, installation in context.every_installation]


def _use(context: Context, standing: StandingEntry, installation: Installation) -> Built:
    end = context.use_ends.ended.get(installation.entry_id)

    def build() -> Built:
        use = device_use(context, installation, end)
        return use if standing.retraction is None else withdrawn(use)

    return context.kept.built(("DeviceUseStatement", installation.entry_id), (standing, end), build)


def tasks(context: Context, fold: CourseFold, summary: Summary, now: datetime) -> list[Built]:
    """One due reset for each period between settings."""
    installations = {entry.entry_id: entry for entry in context.installations}
    current: Installation | None = None
    built = []
    for period in fold.reset_periods():
        current = installations.get(period.opened_by, current)
        if period.due is None or current is None:
            continue
        build = partial(reset_task, context, period, period.due, current, summary.bands, now)
        made_from = (period, current)  # of a closed one, which neither the bands nor the time change any more
        built.append(build() if period.is_open else context.kept.built(("Task", period.opened_by), made_from, build))
    return built


def flags(context: Context, episodes: Iterable[AlertEpisode]) -> list[Built]:
    """One Flag for each alert; one that the same entry raised anew goes on."""
    latest = {(episode.raised_by, flag_role(episode)): episode for episode in episodes}
    return [_flag(context, role, episode) for (_, role), episode in latest.items()]


def _flag(context: Context, role: str, episode: AlertEpisode) -> Built:
    key = ("Flag", episode.raised_by, role)
    return context.kept.built(key, (episode,), lambda: flag(context, role, episode, _evidence(context, episode)))


def _evidence(context: Context, episode: AlertEpisode) -> Tree | None:
    """The panel or Procedure of the entry whose reading keeps the alert up."""
    names, kind = context.names_of(episode.observed_by), context.kinds.get(episode.observed_by)
    if kind == "check":
        return names.reference("Observation", CHECK_PANEL)
    role = PART_OF.get(kind or "")
    return names.reference("Procedure", role) if role else None


def latest_widest(context: Context, summary: Summary) -> Tree | None:
    """Reference to the last widest gap that was measured."""
    if summary.gap is None:
        return None
    return context.names_of(summary.gap.entry_id).reference("Observation", "widest-gap")


def latest_results(context: Context) -> list[Tree]:
    """The latest derived Observations, each measure from the last entry that has it."""
    latest = context.latest_measures
    results = [context.names_of(latest[role]).reference("Observation", role) for role in _MEASURES if role in latest]
    return [*results, context.names.reference("Observation", LENGTH)]
