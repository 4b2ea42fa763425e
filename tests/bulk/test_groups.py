"""Groups: only the records of their members, and the whole record of who came in later."""

from datetime import datetime

import pytest

from service.commands import exporting
from service.registry.export.asked import types_of_patients
from service.search.dates import microseconds
from service.store import export_rows as rows
from tests.bulk.side import SITE


@pytest.fixture
def configured(side, monkeypatch):
    monkeypatch.setenv("DATABASE_URL", side.settings.database_url)
    monkeypatch.setenv("CLOSURE_READINGS_SITE", SITE)
    return side


def courses(side):
    with side.workflow.store.read(SITE) as reading:
        return [(row.course_id, row.patient_id) for row in reading.courses(limit=10)]


def made(capsys):
    assert exporting.add_group("Consented", None) == 0
    return capsys.readouterr().out.strip()


def of_patient(each):
    for name in ("subject", "patient", "for"):
        if name in each:
            return each[name]["reference"].partition("/")[2]
    return each["id"] if each["resourceType"] == "Patient" else None


def test_a_group_gives_the_records_of_its_members_and_nobody_elses(configured, capsys):
    side = configured
    group = made(capsys)
    course, patient = courses(side)[0]
    assert exporting.change_members(group, [course], [], None, out=False) == 0
    manifest = side.manifest(f"/fhir/Group/{group}/$export")
    found = side.lines(manifest)
    assert {of_patient(each) for each in found} - {None} == {patient}
    assert {each["type"] for each in manifest["output"]} <= set(types_of_patients())
    everything = side.lines(side.manifest("/fhir/Patient/$export"))
    assert len([each for each in everything if of_patient(each) == patient]) == len(
        [each for each in found if of_patient(each)]
    )


def test_who_came_into_a_group_later_comes_with_the_whole_record_even_with_since(configured, capsys):
    # (55, 56)
    side = configured
    group = made(capsys)
    first, later = sorted({patient for _, patient in courses(side)})[:2]
    add(side, group, first, 0)
    told = side.manifest(f"/fhir/Group/{group}/$export")["transactionTime"]
    since = f"/fhir/Group/{group}/$export?_since={told}"
    assert side.lines(side.manifest(since)) == []
    add(side, group, later, microseconds(datetime.fromisoformat(told)) + 1000)
    again = side.lines(side.manifest(since))
    assert {of_patient(each) for each in again} - {None} == {later}
    assert {"Patient", "Observation"} <= {each["resourceType"] for each in again}


def add(side, group, patient, at):
    with side.database.write() as connection:
        rows.add_members(connection, SITE, group, [patient], at)


def test_members_are_listed_taken_out_and_unknown_ones_refused(configured, capsys):
    side = configured
    group = made(capsys)
    (course, patient) = courses(side)[0]
    exporting.change_members(group, [course], [patient], None, out=False)
    exporting.list_members(group, None)
    assert capsys.readouterr().out.split() == ["1", patient]
    assert exporting.change_members(group, ["no-such-course"], [], None, out=False) == 1
    assert exporting.change_members("no-such-group", [course], [], None, out=False) == 1
    assert exporting.change_members(group, [course], [], None, out=True) == 0
    capsys.readouterr()
    exporting.list_members(group, None)
    assert capsys.readouterr().out == ""
    exporting.list_groups(None, as_json=True)
    assert '"name":"Consented"' in capsys.readouterr().out.replace(": ", ":")


def test_the_group_of_another_site_is_unknown(configured, capsys):
    group = made(capsys)
    assert configured.begin(f"/fhir/Group/{group}/$export", "other-site").status_code == 404
