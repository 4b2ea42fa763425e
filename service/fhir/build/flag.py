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


def flag(context: Context, episode: AlertEpisode, evidence: Tree | None) -> Built:
    """One Flag: active with its start, then inactive with its end. `evidence` is the record that it rests on."""
    terms = context.frame.terms
    names, role = context.names_of(episode.raised_by), flag_role(episode)
    own = names.id(role)
    concept = f"alert-{episode.code}"
    category = terms.alerts[concept][1]
    since = computed_time_text(episode.since)
    period = {"start": since}
    if episode.until is not None:
        period["end"] = computed_time_text(episode.until)
    until = f" until {period['end']}" if "end" in period else ""
    built: Tree = {
        "resourceType": "Flag",
        "id": own,
        "meta": context.frame.metas["closure-flag"],
        "text": paragraphs([f"{episode.text} ({episode.severity}, since {since}{until})", CAUTION]),
    }
    if evidence is not None:
        built["extension"] = [{"url": terms.extension("flag-detail"), "valueReference": evidence}]
    built |= {
        "identifier": names.identifier(role),
        "status": "active" if episode.active else "inactive",
        "category": [terms.hl7("flag-category", category), terms.concept(f"severity-{episode.severity}")],
        "code": {"coding": terms.concept(concept)["coding"], "text": episode.text},
        "subject": context.subject,
        "period": period,
    }
    if context.encounter is not None:
        built["encounter"] = context.encounter
    return Built("Flag", own, episode.raised_by, role, built)
