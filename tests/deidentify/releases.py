"""Resources to de-identify and what does it, for the tests of this folder."""

from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

from service.deidentify import Deidentifier
from service.deidentify.opening import Opened
from service.deidentify.pseudonyms import Pseudonyms
from service.deidentify.whose import patient_of
from service.fhir import wire
from service.fhir.profiles import profile_rules
from service.terminology import load

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
KEY = b"a key of the tests, 32 bytes long"
TERMS = load()
RULES = profile_rules(TERMS)
Tree = dict[str, Any]


@cache
def opened(mode: str) -> Opened:
    """The tables of a mode."""
    return Opened(mode, TERMS, RULES, None, NOW)


def names(registry: str = "registry", site: str = "demo", key: bytes = KEY) -> Pseudonyms:
    """Pseudonyms of the tests."""
    return Pseudonyms(key, registry, site)


def deidentifier(mode: str, **named: Any) -> Deidentifier:
    """What de-identifies without a guard of small cells."""
    return opened(mode).deidentifier(names(**named))


@cache
def bundles() -> tuple[tuple[str, list[Tree]], ...]:
    """Every golden Bundle of the examples: its name and its resources, with ids."""
    found = []
    for path in sorted(EXAMPLES.glob("*/bundle*.json")):
        resources = [entry["resource"] for entry in wire.read(path.read_bytes())["entry"]]
        found.append((f"{path.parent.name}/{path.name}", resources))
    return tuple(found)


def owners(resources: list[Tree]) -> dict[str, str | None]:
    """Type/id -> whose it is; of a Provenance, whose its first target is."""
    found = {_reference(each): patient_of(each) for each in resources}
    for each in resources:
        if each["resourceType"] == "Provenance":
            found[_reference(each)] = found.get(each["target"][0]["reference"])
    return found


def released(mode: str, resources: list[Tree], **named: Any) -> list[tuple[Tree, Tree]]:
    """Pairs of what went in and what came out of it."""
    made_by, whose = deidentifier(mode, **named), owners(resources)
    pairs = ((each, made_by.resource(each, whose[_reference(each)])) for each in resources)
    return [(each, made) for each, made in pairs if made is not None]


def one(mode: str, resource: Tree, **named: Any) -> Tree | None:
    """What comes out of one resource of the patient `p1`."""
    return deidentifier(mode, **named).resource(resource, "p1")


def patient(**members: Any) -> Tree:
    """A Patient p1 with an identifier."""
    identifier = [{"system": "https://heron-quay.example/mrn", "value": "MRN-7788121"}]
    return {"resourceType": "Patient", "id": "p1", "identifier": identifier, **members}


def _reference(resource: Tree) -> str:
    return f"{resource['resourceType']}/{resource['id']}"
