"""The forms of a report: sound R4 by URL and with their bytes, and the Binary that the URL leads to."""

import hashlib
import json
from base64 import b64decode

import orjson
import pytest
from starlette.testclient import TestClient

from service.api.presented import presented_routes
from service.fhir.build.presented import named, presented_form
from service.fhir.validate import check
from service.report.presenting import rendered, with_data
from tests.pages.ward import EXAMPLES, load, open_ward, ward_app
from tests.report.stories import example, site

BEGINS = {"image/svg+xml": b"<svg", "image/png": b"\x89PNG\r\n\x1a\n", "application/pdf": b"%PDF-"}


@pytest.fixture
def ward(tmp_path):
    made = open_ward(tmp_path)
    yield made
    made.workflow.close()


@pytest.fixture
def report(ward):
    course = load(ward, EXAMPLES[0], 13)
    with ward.workflow.store.read(ward.workflow.site.key) as unit:
        key = next(key for key in unit.current(course) if key[0] == "DiagnosticReport")
        return orjson.loads(unit.bodies([key])[key])


@pytest.fixture
def client(ward):
    app = ward_app(ward)
    app.include_router(presented_routes(ward.workflow, ward.workflow.settings, ward.clock))
    with TestClient(app, base_url=ward.base) as client:
        yield client


def presented(report):
    return {key: value for key, value in report.items() if key != "meta"} | {
        "meta": report["meta"],
        "presentedForm": presented_form(report["id"], with_trend=True),
    }


def test_a_report_with_its_forms_by_url_or_inline_is_sound_r4(report):
    story = example(entries=13)
    for resource in (presented(report), with_data(presented(report), story)):
        assert [issue for issue in check(resource, profile_rules=site().rules) if issue.severity == "error"] == []


def test_size_and_hash_are_those_of_the_bytes(report):
    """R4 datatypes: hash is SHA-1 in base64, size the number of bytes of the data."""
    for form in with_data(presented(report), example(entries=13))["presentedForm"]:
        content = b64decode(form["data"])
        assert content.startswith(BEGINS[form["contentType"]])
        assert form["size"] == len(content) < 100_000
        assert b64decode(form["hash"]) == hashlib.sha1(content).digest()
        assert "url" not in form


def test_every_url_leads_to_its_form_as_bytes_and_as_a_resource(client, ward, report):
    for form in presented_form(report["id"], with_trend=True):
        answer = client.get(f"/fhir/{form['url']}")
        assert answer.status_code == 200
        assert answer.headers["content-type"].startswith(form["contentType"])
        assert answer.content.startswith(BEGINS[form["contentType"]])
        assert "sandbox" in answer.headers["content-security-policy"]
        resource = client.get(f"/fhir/{form['url']}", headers={"Accept": "application/fhir+json"}).json()
        assert resource["resourceType"] == "Binary"
        assert b64decode(resource["data"]) == answer.content
        assert resource["securityContext"]["reference"] == f"DiagnosticReport/{report['id']}"
        assert [issue for issue in check(resource) if issue.severity == "error"] == []
        assert ward.shown[-1] == ["lower-leg-0302"]


@pytest.mark.parametrize("binary_id", ["nothing", "x.trend", "{id}.other", "{id}"])
def test_any_other_id_is_not_found(client, report, binary_id):
    assert client.get(f"/fhir/Binary/{binary_id.format(id=report['id'])}").status_code == 404


def test_before_the_first_gap_there_is_a_sheet_and_no_trend():
    assert [named(form["url"].removeprefix("Binary/")) for form in presented_form("r", with_trend=False)] == [
        ("r", "sheet")
    ]
    assert rendered(example(entries=0), "trend") is None
    assert json.dumps(with_data({"resourceType": "DiagnosticReport"}, example(entries=0)))
