"""The table of decisions: complete, checked at start, and strict about what it does not know."""

import csv
import shutil
from pathlib import Path

import pytest

from service.deidentify import MODES, LeftOut, Undecided, read_rules
from service.deidentify.rules import ACTIONS, DESCENDING, FILE
from service.fhir.r4 import elements
from service.search.parameters import parameters
from service.terminology.tables import TerminologyFault, folder_of_tables
from tests.deidentify.releases import deidentifier, one, patient


def table(tmp_path: Path, change) -> Path:
    """A mappings folder whose rules went through `change`."""
    shutil.copytree(folder_of_tables(), tmp_path / "mappings")
    file = tmp_path / "mappings" / FILE
    rows = list(csv.reader(file.read_text("utf-8").splitlines()))
    with file.open("w", newline="") as out:
        csv.writer(out).writerows(change(rows))
    return tmp_path / "mappings"


@pytest.mark.parametrize("mode", MODES)
def test_every_type_that_is_served_is_decided(mode):
    assert set(parameters()) <= read_rules(mode).decided_types


@pytest.mark.parametrize("mode", MODES)
def test_every_element_of_everything_that_is_kept_is_decided(mode):
    # Source: the element tables generated from the published R4 StructureDefinitions.
    rules = read_rules(mode)
    for path, plan in rules.plans.items():
        for element in elements(path).values():
            for type_ in element.types:
                key = element.name + type_[0].upper() + type_[1:] if element.choice else element.name
                assert not plan[key].action.startswith("?"), f"{path}.{key}"
    assert rules.undecided() == []


@pytest.mark.parametrize("mode", MODES)
def test_nothing_that_can_hold_free_text_is_kept_as_it_is(mode):
    closed = {"boolean", "decimal", "integer", "positiveInt", "unsignedInt"}
    kept = []
    for path, plan in read_rules(mode).plans.items():
        for element in elements(path).values():
            for type_ in element.types:
                key = element.name + type_[0].upper() + type_[1:] if element.choice else element.name
                is_open = type_ not in closed and not (type_ == "code" and element.codes)
                if plan[key].action in DESCENDING and not plan[key].inner and is_open:
                    kept.append(f"{path}.{key}")
    # A coding and an extension come this far only where the tables have them.
    assert sorted(kept) == ["Coding.code", "Coding.system", "Extension.url"]


@pytest.mark.parametrize("path", ["Observation.component.valueQuantity", "Period.start", "Patient.name", "Element.id"])
def test_a_table_without_one_of_its_rows_is_refused_by_name(tmp_path, path):
    folder = table(tmp_path, lambda rows: [row for row in rows if row[0] != path])
    with pytest.raises(TerminologyFault, match=f"{path} is undecided"):
        read_rules("research", folder)


def test_a_misspelt_path_and_a_misspelt_action_are_refused_with_their_rows(tmp_path):
    folder = table(tmp_path, lambda rows: [*rows, ["Patient.nmae", "drop", "drop", ""]])
    with pytest.raises(TerminologyFault, match=r"Patient\.nmae is no element"):
        read_rules("research", folder)
    misspelt = ["Patient.gender", "kepe", "keep", ""]
    folder = table(tmp_path / "b", lambda rows: [misspelt if row[0] == misspelt[0] else row for row in rows])
    with pytest.raises(TerminologyFault, match="safe_harbor: kepe is no action"):
        read_rules("research", folder)


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize(
    "resource",
    [
        patient(nickname="Zorbelin"),
        patient(_nickname={"id": "x"}),
        patient(identifier=[{"system": "https://x.example", "value": "1", "nick": "Zorbelin"}]),
        {"resourceType": "Basic", "id": "b1", "subject": {"reference": "Patient/p1"}},
        {"resourceType": "AuditEvent", "id": "a1"},
    ],
)
def test_what_the_table_does_not_know_stops_the_release_and_is_not_quoted(mode, resource):
    with pytest.raises(Undecided) as fault:
        one(mode, resource)
    assert "Zorbelin" not in str(fault.value)


@pytest.mark.parametrize("mode", MODES)
def test_a_modifier_nobody_decided_on_keeps_the_resource_back(mode):
    modifier = [{"url": "https://heron-quay.example/not-this-patient", "valueBoolean": True}]
    with pytest.raises(LeftOut, match="modifierExtension"):
        one(mode, patient(modifierExtension=modifier))


def test_in_research_a_resource_of_no_patient_stops_the_release():
    device = {"resourceType": "Device", "id": "d1", "status": "active"}
    with pytest.raises(Undecided, match="no patient"):
        deidentifier("research").resource(device, None)


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize(
    "resource",
    [patient(identifier="Zorbelin"), patient(birthDate=19800101), patient(identifier=[{"value": ["x"]}])],
)
def test_what_has_not_the_form_of_r4_stays_behind(mode, resource):
    with pytest.raises(LeftOut):
        one(mode, resource)


def test_the_document_tells_every_action_of_the_table():
    told = (Path(__file__).resolve().parents[2] / "docs" / "deidentification.md").read_text("utf-8")
    for action in ACTIONS:
        assert f"`{action}`" in told, action
