"""A real service, wired as it ships: its log line by line, its numbers, one request id throughout."""

import json
import re
import time
from datetime import timedelta

import pytest
import requests
from prometheus_client.parser import text_string_to_metric_families

from service import strict_json
from service.api.app import utc_now
from tests.intake.documents import check, course_file, installation
from tests.live import live_service

FAMILY, NUMBER, NOTE = "Brandvold-Iversen", "AB-555-777", "asked for her brother Leontius"
PATIENT = {"identifier": {"system": "https://alder-bay.example/mrn", "value": NUMBER}, "family": FAMILY}
JSON = {"Content-Type": "application/json"}
PLACES = (  # what was asked; the template that may be told of it
    ("GET", "/fhir/Patient?family={family}", "/fhir/{resource_type}"),
    ("GET", "/fhir/Patient/{number}", "/fhir/{resource_type}/{resource_id}"),
    ("POST", "/fhir/Patient/_search", "/fhir/{resource_type}/_search"),
    ("GET", "/intake/courses/{number}", "/intake/courses/{course_id}"),
    ("GET", "/{family}/{number}", "none"),
    ("POST", "/intake/courses", "/intake/courses"),
)


@pytest.fixture(scope="module")
def live(tmp_path_factory):
    folder = tmp_path_factory.mktemp("served")
    with live_service(folder, CLOSURE_READINGS_LOG_LEVEL="debug", CLOSURE_READINGS_LOG="json") as service:
        yield service, folder / "serve.log"


@pytest.fixture(scope="module")
def lines(live):
    """The log after a course with its readings and a round of questions about it."""
    service, file = live
    now = utc_now().replace(microsecond=0)
    at = {"at": (now - timedelta(hours=2)).isoformat()}
    document = course_file(installation(note=NOTE, **at), check(at=now.isoformat()), patient=PATIENT)
    answer = requests.post(f"{service.base}/intake/courses", data=strict_json.write(document), headers=JSON, timeout=30)
    assert answer.status_code == 201, answer.text
    for method, path, _ in PLACES:
        where = path.format(family=FAMILY, number=NUMBER)
        form = JSON if path == "/intake/courses" else {"Content-Type": "application/x-www-form-urlencoded"}
        headers = form | {"X-Request-Id": "r-1"}
        requests.request(method, f"{service.base}{where}", data=f"family={FAMILY}", headers=headers, timeout=30)
    until = time.monotonic() + 10  # the line of a request follows its answer
    while file.read_text("utf-8").count('"r-1"') < len(PLACES) and time.monotonic() < until:
        time.sleep(0.02)
    return [json.loads(line) for line in file.read_text("utf-8").splitlines()]


def test_every_line_of_the_log_is_json_and_says_when_and_how_grave(lines):
    assert len(lines) > 8
    for line in lines:
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}\+00:00", line["at"])
        assert line["level"] in ("debug", "info", "warning", "error", "critical")
        assert line["event"]
        assert line["logger"]


def test_the_start_is_told_with_address_site_and_version(lines, live):
    (line,) = [line for line in lines if line["event"].startswith("serving")]
    assert line["address"] == live[0].base
    assert line["site"] == "demo"
    assert line["version"]


def test_each_request_has_one_line_with_its_template(lines):
    told = [line for line in lines if line["event"] == "request" and line["request_id"] == "r-1"]
    assert [(line["method"], line["route"]) for line in told] == [(method, route) for method, _, route in PLACES]
    assert all(line["duration_ms"] > 0 for line in told)
    assert {line["status"] for line in told} <= {200, 400, 404, 415, 422}


def test_no_line_names_the_patient_at_the_lowest_level(lines):
    text = json.dumps(lines, ensure_ascii=False)
    for word in (FAMILY, NUMBER, NOTE, "Leontius"):
        assert word not in text


def test_the_numbers_are_read_from_this_machine_and_add_up(live, lines):
    text = requests.get(f"{live[0].base}/metrics", timeout=30).text
    found = {
        (each.name, *sorted(each.labels.values())): each.value
        for family in text_string_to_metric_families(text)
        for each in family.samples
    }
    assert found["closure_entries_recorded_total",] == 2
    assert found["closure_requests_total", "/intake/courses", "201", "POST"] == 1
    assert found["closure_requests_in_flight",] == 1  # this one
    assert found["closure_refusals_total", "not-found"] >= 2
    for word in (FAMILY, NUMBER):
        assert word not in text


def test_it_says_that_it_lives_and_is_ready(live):
    assert {
        requests.get(f"{live[0].base}{path}", timeout=30).status_code for path in ("/live", "/ready", "/health")
    } == {204}


def test_what_a_proxy_passes_on_gets_no_numbers(live):
    answer = requests.get(f"{live[0].base}/metrics", headers={"X-Forwarded-For": "203.0.113.9"}, timeout=30)
    assert answer.status_code == 404
