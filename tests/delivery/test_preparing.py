"""What is put into a resource before it leaves: reports go out with their drawings, for who cannot ask here."""

from base64 import b64decode
from dataclasses import replace
from datetime import datetime

from service.delivery.running import deliver_once
from service.fhir import wire
from service.fhir.build.presented import presented_form
from service.fhir.validate import is_valid
from service.report.presenting import complete
from service.store.outbox_rows import HELD
from tests.delivery.ward import PATIENTS, patient_of, small_check, small_course

BEGINS = {"image/svg+xml": b"<svg", "image/png": b"\x89PNG\r\n\x1a\n", "application/pdf": b"%PDF-"}


def with_forms(ward):
    """As `deliver` prepares; the report names its forms whether or not the stored one does already."""

    def prepare(unit, resource):
        if resource["resourceType"] == "DiagnosticReport":
            resource = resource | {"presentedForm": presented_form(resource["id"], with_trend=True)}
        return complete(ward.workflow, unit, resource)

    return replace(ward.delivering, prepare_of=lambda _key: prepare)


def reports(running):
    return [versions[-1] for (type_, _), versions in running.records.bodies.items() if type_ == "DiagnosticReport"]


def test_a_report_arrives_with_its_drawings_and_the_sheet_and_is_renewed_with_the_course(light, putting):
    putting.server.patient(PATIENTS, patient_of(1))
    light.destination(putting.base, writing="put")
    light.record(1)
    delivering = with_forms(light)
    assert deliver_once(delivering) == {"delivered": 1}
    (first,) = reports(putting)
    assert [form["contentType"] for form in first["presentedForm"]] == list(BEGINS)
    for form in first["presentedForm"]:
        content = b64decode(form["data"])
        assert content.startswith(BEGINS[form["contentType"]])
        assert form["size"] == len(content)
        assert "url" not in form
    assert is_valid(first)
    light.add(1, small_check(2, "44.0"))
    assert deliver_once(delivering) == {"delivered": 1}
    (second,) = reports(putting)
    assert second["presentedForm"][0]["data"] != first["presentedForm"][0]["data"]


def test_what_is_prepared_unsoundly_does_not_leave(light, putting):
    putting.server.patient(PATIENTS, patient_of(1))
    light.destination(putting.base, writing="put")
    light.record(1)
    spoilt = replace(light.delivering, prepare_of=lambda _key: lambda _unit, resource: resource | {"colour": "red"})
    assert deliver_once(spoilt) == {"held": 1}
    assert putting.requests == []
    assert "not sound R4" in light.rows(HELD)[0].refusal


def test_without_a_preparation_resources_leave_as_they_are_stored(light, putting):
    putting.server.patient(PATIENTS, patient_of(1))
    light.destination(putting.base, writing="put")
    light.record(1)
    assert deliver_once(light.delivering) == {"delivered": 1}
    assert all("data" not in form for report in reports(putting) for form in report.get("presentedForm", ()))


def test_a_drawing_that_fails_keeps_no_figure_back(light, putting, monkeypatch):
    def broken(*_):
        raise RuntimeError("no font")

    monkeypatch.setattr("service.report.presenting.rendered", broken)
    putting.server.patient(PATIENTS, patient_of(1))
    light.destination(putting.base, writing="put")
    light.record(1)
    assert deliver_once(with_forms(light)) == {"delivered": 1}
    (report,) = reports(putting)
    assert "presentedForm" not in report


def test_a_report_prepared_again_has_the_same_bytes(light):
    light.record(1)
    course_id = small_course(1)["course"]["course_id"]
    told = []
    for _ in range(2):
        with light.workflow.store.read(light.workflow.site.key) as unit:
            (key,) = [key for key in unit.current(course_id) if key[0] == "DiagnosticReport"]
            resource = wire.read(unit.bodies([key])[key])
            named = resource | {"presentedForm": presented_form(resource["id"], with_trend=True)}
            told.append(complete(light.workflow, unit, named))
        light.clock.move(3600)
    assert told[0] == told[1]
    created = datetime.fromisoformat(told[0]["presentedForm"][0]["creation"])
    assert created == datetime.fromisoformat(told[0]["meta"]["lastUpdated"]).replace(microsecond=0)
