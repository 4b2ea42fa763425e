"""The forms of a report as a chart gets them: named by the report, read by the scopes that each form asks for."""

from dataclasses import dataclass, replace
from typing import Any

import pytest
from starlette.testclient import TestClient

from service import strict_json
from service.api.app import create_app
from service.config import Settings
from service.fhir.validate import check as r4
from tests.intake.documents import NOW, amendment, check, course_file, installation
from tests.signing_in import new_client, token_of

EVERYTHING = "system/*.cruds intake:read intake:write"
READS = "system/DiagnosticReport.rs system/Patient.rs system/Binary.r"
FORMS = {"trend": b"<svg", "trend-png": b"\x89PNG\r\n\x1a\n", "sheet": b"%PDF-"}


@dataclass
class Chart:
    """A chart's client of the site, with a token for as little as it asks for."""

    settings: Settings
    http: TestClient
    client_id: str

    def ask(self, method: str, path: str, scopes: str = READS, body: Any = None, **headers: str) -> Any:
        token = token_of(self.settings, self.client_id, NOW, scopes)
        content = None if body is None else strict_json.write(body)
        told = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"} | headers
        return self.http.request(method, path, content=content, headers=told)

    def get(self, path: str, scopes: str = READS, **headers: str) -> Any:
        return self.ask("GET", path, scopes, **headers)

    def report(self) -> dict[str, Any]:
        (entry,) = self.get("/fhir/DiagnosticReport").json()["entry"]
        return entry["resource"]


@pytest.fixture
def chart(tmp_path):
    settings = replace(Settings(), database_url=f"sqlite:///{tmp_path}/chart.sqlite3", zone="Europe/Vienna")
    client_id = new_client(settings, NOW, EVERYTHING)
    settings = replace(settings, audit_readers=frozenset({client_id}))
    with TestClient(create_app(settings, lambda: NOW), base_url="http://127.0.0.1:8080") as http:
        chart = Chart(settings, http, client_id)
        document = course_file(installation(), check())
        assert chart.ask("POST", "/intake/courses", "intake:write", document).status_code == 201
        yield chart


def test_each_form_that_a_report_names_is_there_and_is_what_the_report_says(chart):
    report = chart.report()
    assert [form["url"] for form in report["presentedForm"]] == [f"Binary/{report['id']}.{role}" for role in FORMS]
    for form, begins in zip(report["presentedForm"], FORMS.values(), strict=True):
        answer = chart.get(f"/fhir/{form['url']}")  # relative to the base, as R4 has it
        assert answer.status_code == 200
        assert answer.headers["content-type"].startswith(form["contentType"])
        assert answer.headers["x-security-context"].endswith(f"/fhir/DiagnosticReport/{report['id']}")
        assert answer.headers["cache-control"] == "no-store"
        assert answer.content.startswith(begins)
        resource = chart.get(f"/fhir/{form['url']}", Accept="application/fhir+json").json()
        assert resource["contentType"] == form["contentType"]
        assert [issue for issue in r4(resource) if issue.severity == "error"] == []


@pytest.mark.parametrize(
    ("scopes", "trend", "sheet"),
    [
        (READS, 200, 200),
        ("system/*.rs", 200, 200),
        ("system/DiagnosticReport.rs system/Binary.r", 200, 403),  # the sheet names the patient
        ("system/DiagnosticReport.rs system/Patient.rs", 403, 403),
        ("system/Binary.r system/Patient.rs", 403, 403),
        ("system/DiagnosticReport.cud system/Patient.rs system/Binary.cud", 403, 403),
        ("intake:read", 403, 403),
    ],
)
def test_who_may_not_read_what_a_form_shows_does_not_get_it(chart, scopes, trend, sheet):
    report_id = chart.report()["id"]
    for role in FORMS:
        status = chart.get(f"/fhir/Binary/{report_id}.{role}", scopes).status_code
        assert status == (sheet if role == "sheet" else trend), role


def test_without_a_token_at_another_site_and_under_another_id_there_is_nothing(chart):
    report = chart.report()
    other = replace(chart, client_id=new_client(chart.settings, NOW, EVERYTHING, "south"))
    for form in report["presentedForm"]:
        assert chart.http.get(f"/fhir/{form['url']}").status_code == 401
        assert other.get(f"/fhir/{form['url']}").status_code == 404
    for other_id in (report["id"], f"{report['id']}.other", "nothing.sheet"):
        assert chart.get(f"/fhir/Binary/{other_id}").status_code == 404


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE", "POST"])
def test_a_form_cannot_be_written(chart, method):
    url = chart.report()["presentedForm"][0]["url"]
    path = "/fhir/Binary" if method == "POST" else f"/fhir/{url}"
    body = {"resourceType": "Binary", "id": url.partition("/")[2], "contentType": "text/plain", "data": "eA=="}
    answer = chart.ask(method, path, EVERYTHING, body, **{"Content-Type": "application/fhir+json"})
    assert answer.status_code == 405
    assert answer.json()["resourceType"] == "OperationOutcome"
    assert chart.get(f"/fhir/{url}").content.startswith(b"<svg")


def test_whose_form_was_shown_stands_in_the_audit_record(chart):
    patient = chart.get("/fhir/Patient").json()["entry"][0]["resource"]["id"]
    url = chart.report()["presentedForm"][2]["url"]
    assert chart.get(f"/fhir/{url}").status_code == 200
    events = chart.get(f"/fhir/AuditEvent?patient=Patient/{patient}&_count=1000", EVERYTHING).json()["entry"]
    told = [{each.get("what", {}).get("reference") for each in event["resource"]["entity"]} for event in events]
    assert [f"Patient/{patient}" in one for one in told if url in one] == [True]


def test_the_capability_statement_says_that_binary_is_read_and_nothing_else(chart):
    rows = chart.http.get("/fhir/metadata").json()["rest"][0]["resource"]
    (binary,) = [row for row in rows if row["type"] == "Binary"]
    assert binary["interaction"] == [{"code": "read"}]
    assert "system/Binary.rs" in chart.http.get("/fhir/.well-known/smart-configuration").json()["scopes_supported"]


def test_the_same_address_shows_a_correction_at_the_next_reading(chart):
    url = chart.report()["presentedForm"][0]["url"]
    before = chart.get(f"/fhir/{url}").content
    corrected = amendment("am-9", check(gaps=[{"station_mm": 40, "gap_mm": 7}, {"station_mm": 80, "gap_mm": 8}]))
    assert chart.ask("POST", "/intake/courses/alder-1/entries", "intake:write", corrected).status_code == 201
    assert chart.get(f"/fhir/{url}").content != before


def test_a_course_without_a_gap_reading_has_a_sheet_and_no_trend(chart):
    document = course_file(course_id="alder-2", patient={"identifier": {"system": "https://x.example/m", "value": "2"}})
    assert chart.ask("POST", "/intake/courses", "intake:write", document).status_code == 201
    reports = [entry["resource"] for entry in chart.get("/fhir/DiagnosticReport").json()["entry"]]
    (report,) = [one for one in reports if len(one["presentedForm"]) == 1]
    assert report["presentedForm"][0]["title"] == "Hand-over sheet"
    assert chart.get(f"/fhir/Binary/{report['id']}.sheet").content.startswith(b"%PDF-")
    assert chart.get(f"/fhir/Binary/{report['id']}.trend").status_code == 404
