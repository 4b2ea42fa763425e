"""The rules of the profiles: what they accept, what they refuse, and that code and published FHIRPath agree."""

import copy
import json
import shutil
from decimal import Decimal

import pytest
from fhirpathpy import evaluate
from fhirpathpy.models import models

from service.fhir import wire
from service.fhir.build.artefacts import artefacts
from service.fhir.profiles import INVARIANTS, profile_rules
from service.terminology import TerminologyFault, load
from service.terminology.tables import folder_of_tables
from tests.fhir.build.course_of_nine import ALL, OPEN, TERMS, find, projected

RULES = profile_rules(TERMS)
BUILT = projected(ALL) + projected(OPEN)


def broken(resource):
    return [issue for rule in RULES[resource["meta"]["profile"][0]] for issue in rule(resource)]


def changed(role, entry_id, change):
    resource = copy.deepcopy(find(projected(OPEN), role, entry_id))
    change(resource)
    return resource


def test_every_profile_has_rules_under_its_canonical_url():
    assert set(RULES) == {made["url"] for made in artefacts(TERMS)
                          if made["resourceType"] == "StructureDefinition" and made["type"] != "Extension"}  # fmt: skip


def test_everything_that_is_built_keeps_the_rules_of_its_profile():
    for one in BUILT:
        assert broken(one.resource) == [], one.role


@pytest.mark.parametrize(
    ("role", "entry_id", "change", "says"),
    [
        ("gap/100", "c1", lambda r: r.pop("identifier"), "Observation.identifier"),
        ("gap/100", "c1", lambda r: r.pop("performer"), "Observation.performer"),
        ("gap/100", "c1", lambda r: r.pop("effectiveDateTime"), "Observation.effective[x]"),
        ("gap/100", "c1", lambda r: r.pop("valueQuantity"), "cr-value"),
        ("gap/100", "c1", lambda r: r.update(dataAbsentReason={"text": "x"}), "cr-value"),
        ("gap/100", "c1", lambda r: r["valueQuantity"].update(code="mm"), "cm"),
        ("gap/100", "c1", lambda r: r["valueQuantity"].update(value=Decimal(-1)), "cr-not-negative"),
        ("gap/100", "c1", lambda r: r.pop("component"), "cr-station"),
        ("gap/100", "c1", lambda r: r["code"]["coding"][0].update(code="gap"), "gap-width"),
        ("band-stretch/1", "c1", lambda r: r.pop("device"), "Observation.device"),
        ("band-stretch/1", "c1", lambda r: r.pop("interpretation"), "cr-interpretation"),
        ("band-stretch/1", "c1", lambda r: r["interpretation"].clear(), "cr-low"),
        ("band-stretch/2", "c1", lambda r: r["valueQuantity"].update(value=Decimal("1.9")), "cr-high"),
        ("band-stretch/1", "c1", lambda r: r["referenceRange"][0].pop("high"), "cr-range-both"),
        ("band-stretch/1", "c1", lambda r: r["referenceRange"].append(r["referenceRange"][0]), "only one"),
        ("widest-gap", "c1", lambda r: r.pop("method"), "Observation.method"),
        ("widest-gap", "c1", lambda r: r.pop("derivedFrom"), "Observation.derivedFrom"),
        ("pain-score", "c1", lambda r: r.pop("valueQuantity"), "cr-content"),
        ("check", "c1", lambda r: r.pop("hasMember"), "Observation.hasMember"),
        ("reset-task", "r1", lambda r: r.update(intent="plan"), "cr-order"),
        ("reset-task", "r1", lambda r: r["restriction"]["period"].pop("end"), "Task.restriction.period.end"),
        ("reset-task", "i1", lambda r: r.pop("output"), "cr-output"),
        ("flag/below-range/band-1", "c1", lambda r: r["period"].pop("end"), "cr-ended"),
        ("flag/below-range/band-1", "c1", lambda r: r["code"].pop("text"), "Flag.code.text"),
        ("goal", None, lambda r: r["target"][0].pop("measure"), "Goal.target.measure"),
        ("plan", None, lambda r: r.update(intent="order"), "cr-plan"),
        ("patient", None, lambda r: r["identifier"][0].pop("system"), "Patient.identifier.system"),
    ],
)
def test_what_breaks_a_profile_is_named(role, entry_id, change, says):
    found = broken(changed(role, entry_id, change))
    assert found
    assert any(says in f"{issue.expression} {issue.diagnostics}" for issue in found)
    assert all(issue.layer == "profile" for issue in found)


def test_a_use_that_is_over_without_an_end_breaks_its_profile():
    use = copy.deepcopy(find(projected(ALL), "device-use", "i1"))
    use["timingPeriod"].pop("end")
    assert ["cr-use-ended" in issue.diagnostics for issue in broken(use)] == [True]


def variants(resource):
    """The resource, and it with each of its elements taken out or bent."""
    yield resource
    for name in list(resource):
        if name not in ("resourceType", "id", "meta", "status", "intent"):  # R4 itself asks for these
            yield {key: value for key, value in resource.items() if key != name}
    for name, value in (
        ("status", "completed"), ("status", "stopped"), ("status", "inactive"), ("status", "requested"),
        ("intent", "proposal"), ("period", {"start": "2026-03-01"}), ("timingPeriod", {"start": "2026-03-01"}),
        ("interpretation", [{"coding": [{"code": "H"}]}]), ("interpretation", [{"coding": [{"code": "L"}]}]),
    ):  # fmt: skip
        if name in resource:
            yield {**resource, name: value}
    for range_ in resource.get("referenceRange", ())[:1]:
        yield {**resource, "referenceRange": [{key: value for key, value in range_.items() if key != "high"}]}
    if isinstance(resource.get("valueQuantity"), dict):
        for value in (Decimal(-1), Decimal("1.5"), Decimal("2.0"), Decimal("2.5")):
            yield {**resource, "valueQuantity": {**resource["valueQuantity"], "value": value}}


def has_both_ends(resource):
    return all({"low", "high"} <= set(one) for one in resource.get("referenceRange", [{}]))


ROWS = [(profile.url, row) for profile in TERMS.profiles.values() for row in profile.invariants]


@pytest.mark.parametrize(("url", "row"), ROWS, ids=lambda x: x["key"] if isinstance(x, dict) else x.rsplit("/")[-1])
def test_the_function_of_an_invariant_decides_as_its_published_fhirpath_does(url, row):
    # The other evaluation is fhirpathpy, an independent implementation of HL7's FHIRPath.
    seen = set()
    of_profile = [one.resource for one in BUILT if one.resource["meta"]["profile"] == [url]]
    for resource in of_profile[:: max(1, len(of_profile) // 6)]:
        for variant in variants(resource):
            plain = json.loads(wire.write(variant))
            if row["key"] in ("cr-low", "cr-high") and not has_both_ends(variant):
                continue  # undecided in FHIRPath; cr-range-both and the cardinality ask for the range
            expected = evaluate(plain, row["expression"], {}, models["r4"]) == [True]
            assert INVARIANTS[row["key"]](variant) == expected, variant
            seen.add(expected)
    assert seen == {True, False}


def test_an_invariant_without_a_function_is_refused_at_start(tmp_path):
    folder = shutil.copytree(folder_of_tables(), tmp_path / "mappings")
    path = folder / "profile-invariants.csv"
    path.write_text(path.read_text() + "gap-width,cr-new,error,New,true\n")
    with pytest.raises(TerminologyFault, match="cr-new"):
        profile_rules(load(folder))
