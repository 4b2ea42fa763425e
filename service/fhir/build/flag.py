"""Flag (http://hl7.org/fhir/R4/flag.html): one alert from the entry that raised it to the entry that cleared it."""

from typing import Any

from service.clinic.alerts import AlertEpisode
from service.clinic.caution import CAUTION
from service.fhir.build.context import Context
from service.fhir.build.identity import Built
from service.fhir.build.values import computed_time_text, paragraphs

Tree = dict[str, Any]


def flag_role(episode: AlertEpisode) -> str:
    """The role of a Flag among the resources of the entry that raised it."""
    return f"flag/{episode.code}/{episode.subject}" if episode.subject else f"flag/{episode.code}"


def flag(context: Context, role: str, episode: AlertEpisode, evidence: Tree | None) -> Built:
    """One Flag: active with its start, then inactive with its end. `evidence` is the record that it rests on."""
    frame, names = context.frame, context.lasting_names(episode.raised_by)
    own = names.ids[role]
    concept = f"alert-{episode.code}"
    category = frame.terms.alerts[concept][1]
    since = computed_time_text(episode.since)
    period = {"start": since}
    if episode.until is not None:
        period["end"] = computed_time_text(episode.until)
    until = f" until {period['end']}" if "end" in period else ""
    built: Tree = {
        "resourceType": "Flag",
        "id": own,
        "meta": frame.metas["closure-flag"],
        "text": paragraphs([f"{episode.text} ({episode.severity}, since {since}{until})", CAUTION]),
    }
    if evidence is not None:
        built["extension"] = [{"url": frame.extensions["flag-detail"], "valueReference": evidence}]
    built["identifier"] = names.identifier(role)
    built["status"] = "active" if episode.active else "inactive"
    built["category"] = [frame.terms.hl7("flag-category", category), frame.concepts[f"severity-{episode.severity}"]]
    built["code"] = {"coding": frame.concepts[concept]["coding"], "text": episode.text}
    built["subject"] = context.subject
    built["period"] = period
    if context.encounter is not None:
        built["encounter"] = context.encounter
    return Built("Flag", own, episode.raised_by, role, built)
