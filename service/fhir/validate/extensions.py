"""Extensions: the url is absolute, and one that nobody here knows is worth a warning."""

from __future__ import annotations

from typing import Any

from service.fhir.validate.walk import Place, Walk

KNOWN_EXTENSIONS = (
    "http://hl7.org/fhir/StructureDefinition/",
    "http://fhir-registry.smarthealthit.org/StructureDefinition/oauth-uris",  # SMART App Launch, CapabilityStatement
    "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/",  # Subscriptions R5 Backport
    "https://closure-readings.example/fhir",
)


def check_extension(value: dict[str, Any], at: Place, walk: Walk) -> None:
    """Warn of a url outside the known ones. A part of a complex extension has a plain name for a url."""
    url = value.get("url")
    if type(url) is not str or url.startswith(walk.extensions):
        return
    if ":" in url:
        walk.add("warning", "extension", (at, "url"), f"unknown extension {url}", "extension")
    elif not _is_part(at):
        walk.error((at, "url"), f"{url!r} is not absolute", "value", "extension")


def _is_part(at: Place) -> bool:
    """True for an extension that stands directly inside another extension."""
    owner = at[0]
    return owner is not None and len(owner) == 3 and owner[1] in ("extension", "modifierExtension")
