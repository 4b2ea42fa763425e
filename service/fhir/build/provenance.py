"""Provenance (http://hl7.org/fhir/R4/provenance.html): who charted, which software derived, from which entry."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from service.clinic.entries import Amendment, Entry, Retraction
from service.fhir.build.charting import performer_reference
from service.fhir.build.context import Context
from service.fhir.build.values import narrative, time_text

Tree = dict[str, Any]
Target = tuple[str, str, int | str | None]


def provenance(
    context: Context, entry: Entry | None, targets: Sequence[Target], recorded: datetime, occasion: str = ""
) -> Tree:
    """Provenance of one write: of an entry, or (without one) of a course that was opened.

    `targets` are (type, id, version); a version makes the reference a versioned one. `recorded` is when the write
    happened. `occasion` tells a later derivation from the same entry (another policy, another release) apart.
    """
    names = context.names_of(entry.entry_id) if entry is not None else context.names
    role = f"provenance/{occasion}" if occasion else "provenance"
    activity = _activity(entry)
    frame = context.frame
    built: Tree = {
        "resourceType": "Provenance",
        "id": names.ids[role],
        "meta": frame.metas["closure-provenance"],
        "text": narrative(_sentence(context, entry, occasion)),
        "target": [{"reference": _target(*target)} for target in targets],
    }
    if entry is not None:
        built["occurredDateTime"] = time_text(entry.at)
    built["recorded"] = time_text(recorded)
    built["activity"] = frame.terms.hl7("provenance-activity", activity)
    built["agent"] = _agents(context, entry)
    if entry is not None:
        built["entity"] = _entities(context, entry)
    return built


def _target(resource_type: str, own: str, version: int | str | None) -> str:
    return f"{resource_type}/{own}" if version is None else f"{resource_type}/{own}/_history/{version}"


def _activity(entry: Entry | None) -> str:
    if isinstance(entry, Amendment):
        return "UPDATE"
    return "NULLIFY" if isinstance(entry, Retraction) else "CREATE"


def _sentence(context: Context, entry: Entry | None, occasion: str) -> str:
    software = f"closure-readings {context.frame.software_version}"
    derived = f"derived by {software} with {context.frame.derived_with}"
    if entry is None:
        again = " made afresh from its record" if occasion.startswith("rebuild/") else ""
        return f"Course {context.course.course_id}{again}, {derived}."
    who = entry.performer.display or entry.performer.identifier.value
    reason = f" ({entry.reason})" if isinstance(entry, Amendment | Retraction) else ""
    return f"{entry.kind.capitalize()} {entry.entry_id} charted by {who}{reason}, {derived}."


def _agents(context: Context, entry: Entry | None) -> list[Tree]:
    terms = context.frame.terms
    version = context.frame.software_version
    software = {
        "type": terms.hl7("provenance-agent", "assembler"),
        "who": {
            "identifier": {"system": f"{terms.base}/software", "value": f"closure-readings/{version}"},
            "display": f"closure-readings {version}",
        },
    }
    if entry is None:
        return [software]
    author = {"type": terms.hl7("provenance-agent", "author"), "who": performer_reference(entry.performer)}
    # R4's own list of participant types has no transmitter, so that the word stands alone.
    transmitter = {
        "type": {"text": "transmitter"},
        "who": {
            "identifier": {"system": f"{terms.base}/sid/site", "value": context.frame.site},
            "display": f"site {context.frame.site}",
        },
    }
    return [author, transmitter, software]


def _entities(context: Context, entry: Entry) -> list[Tree]:
    """The entry itself, and the one that it corrects."""
    source = [{"role": "source", "what": _charted(context, entry.entry_id)}]
    if isinstance(entry, Amendment):
        return [*source, {"role": "revision", "what": _charted(context, entry.amends)}]
    if isinstance(entry, Retraction):
        return [*source, {"role": "removal", "what": _charted(context, entry.retracts)}]
    return source


def _charted(context: Context, entry_id: str) -> Tree:
    """An entry by its identifier: it lies in the record of readings, not among the resources."""
    return {"identifier": context.names_of(entry_id).identifier("entry")[0]}
