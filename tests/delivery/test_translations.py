"""A site's own codes for another server."""

import pytest

from service.delivery.translations import COLUMNS, Translations, read_translations
from service.terminology.tables import TerminologyFault
from tests.delivery.ward import SITE

OURS = {"system": "https://closure-readings.example/fhir/CodeSystem/closure", "code": "gap-width", "display": "Gap"}
LOINC = {"system": "http://loinc.example", "code": "1-8"}
ROW = f"ward-record,{OURS['system']},gap-width,https://alder-bay.example/flowsheet,R-400,Wound gap,first,ward 2026"


def written(folder, *rows):
    place = folder / "sites" / SITE
    place.mkdir(parents=True)
    (place / "codes.csv").write_text("\n".join([",".join(COLUMNS), *rows, ""]))
    return folder


def resource():
    return {
        "resourceType": "Observation",
        "meta": {"profile": ["https://closure-readings.example/p"], "tag": [dict(OURS)]},
        "code": {"coding": [LOINC, OURS], "text": "Gap"},
        "component": [{"code": {"coding": [OURS]}}],
    }


def test_without_a_table_nothing_changes(tmp_path):
    found = read_translations(tmp_path, SITE, "ward-record")
    assert not found
    assert found.translated(resource()) == resource()


def test_their_code_comes_first_and_ours_stay(tmp_path):
    found = read_translations(written(tmp_path, ROW), SITE, "ward-record").translated(resource())
    theirs = {"system": "https://alder-bay.example/flowsheet", "code": "R-400", "display": "Wound gap"}
    assert found["code"]["coding"] == [theirs, LOINC, OURS]
    assert found["component"][0]["code"]["coding"] == [theirs, OURS]
    assert found["meta"] == resource()["meta"], "tags are no clinical codes, and the profile still holds"


def test_a_code_in_place_of_ours_takes_the_claim_of_our_profile_with_it(tmp_path):
    row = ROW.replace(",first,", ",instead,")
    found = read_translations(written(tmp_path, row), SITE, "ward-record").translated(resource())
    assert [each["code"] for each in found["code"]["coding"]] == ["R-400", "1-8"]
    assert "profile" not in found["meta"]


def test_translating_leaves_the_resource_itself_alone(tmp_path):
    given = resource()
    read_translations(written(tmp_path, ROW), SITE, "ward-record").translated(given)
    assert given == resource()


def test_a_row_for_one_destination_is_for_that_one(tmp_path):
    written(tmp_path, ROW, ROW.replace("ward-record,", ",").replace("R-400", "G-1"))
    codes = {
        name: read_translations(tmp_path, SITE, name).translated(resource())["code"]["coding"][0]["code"]
        for name in ("ward-record", "archive")
    }
    assert codes == {"ward-record": "R-400", "archive": "G-1"}


def test_every_fault_of_the_table_is_told_at_once(tmp_path):
    rows = [
        ROW.replace(",first,", ",sometimes,"),
        ROW.replace("gap-width,https://alder-bay.example/flowsheet", "b,no uri"),
        ROW.replace("gap-width", "c").replace("R-400", "R-401"),
    ]
    with pytest.raises(TerminologyFault) as met:
        read_translations(written(tmp_path, *rows), SITE, "ward-record")
    assert [(fault.row, fault.why) for fault in met.value.faults] == [
        (2, "use is first or instead"),
        (3, "their_system is no URI"),
    ]


@pytest.mark.parametrize("row", [ROW.rpartition(",")[0] + ",", ROW + ",more", ROW.replace("R-400", "")])
def test_a_row_without_a_source_or_a_code_is_refused(tmp_path, row):
    with pytest.raises(TerminologyFault):
        read_translations(written(tmp_path, row), SITE, "ward-record")


def test_one_code_is_translated_once(tmp_path):
    with pytest.raises(TerminologyFault, match="second row"):
        read_translations(written(tmp_path, ROW, ROW), SITE, "ward-record")


def test_an_empty_table_translates_nothing(tmp_path):
    assert not read_translations(written(tmp_path), SITE, "ward-record")
    assert not Translations()
