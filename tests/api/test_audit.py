"""Rows 105 to 107 of the FHIR requirements: who asked what is recorded, for each patient, refusals included.

The shape is that of IHE Basic Audit Log Patterns 1.1.4 (https://profiles.ihe.net/ITI/BALP/, profiles Read, PatientRead,
Query, PatientQuery, Create): actions, roles of the agents, network of both, entities. Resources are checked by this
project's validator and by fhir.resources (R4B models).
"""

import threading
import time
from base64 import b64decode
from dataclasses import replace
from datetime import timedelta

import fhir.resources.R4B.auditevent
import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError
from starlette.testclient import TestClient
from typer.testing import CliRunner

from service import strict_json
from service.api.app import create_app
from service.cli import app as cli
from service.fhir.validate import check as issues_of
from service.store import open_store
from service.store.audit import AuditAsked, find_events
from service.store.engines import engines
from service.store.errors import StoreBusyError
from service.workflow import auditing
from tests.intake.documents import NOW, check, course_file, installation
from tests.signing_in import LOOPBACK

READER = "testclient"  # the address that the test client gives itself
PATIENT_B = {"identifier": {"system": "https://alder-bay.example/mrn", "value": "AB-2"}}


@pytest.fixture
def watched(settings):
    """A service whose audit record the test may read."""
    app = create_app(replace(settings, audit_readers=frozenset({READER})), clock=lambda: NOW)
    with TestClient(app, base_url=LOOPBACK, raise_server_exceptions=False) as client:
        yield client


def post(client, path, document, **headers):
    return client.post(
        path, content=strict_json.write(document), headers={"Content-Type": "application/json"} | headers
    )


def events(client, **asked):
    """The audit record, without the reading of the audit record itself."""
    bundle = client.get("/fhir/AuditEvent", params={"_count": 1000, **asked}).json()
    found = [entry["resource"] for entry in bundle.get("entry", [])]
    return [event for event in found if "AuditEvent" not in query_of(event)]


def query_of(event):
    return "".join(b64decode(each["query"]).decode() for each in event["entity"] if "query" in each)


def subtype(event):
    return event["subtype"][0]["code"]


def role(event, code):
    return [each for each in event["entity"] if each.get("role", {}).get("code") == code]


def patients(event):
    return [each["what"]["reference"] for each in role(event, "1")]


def request_id(event):
    return event["entity"][0]["what"]["identifier"]["value"]


def two_courses(client):
    assert post(client, "/intake/courses", course_file(installation(), check())).status_code == 201
    other = course_file(installation(), course_id="alder-2", patient=PATIENT_B)
    assert post(client, "/intake/courses", other).status_code == 201


def observation_id(client):
    return client.get("/fhir/Observation?_count=1").json()["entry"][0]["resource"]["id"]


def one_with(client, wanted):
    (found,) = [event for event in events(client) if request_id(event) == wanted]
    return found


def asked(client, method, path, wanted, **more):
    answer = client.request(method, path, headers={"X-Request-Id": wanted, **more.pop("headers", {})}, **more)
    assert answer.headers["x-request-id"] == wanted
    return answer


def test_row_105_a_read_is_one_event_of_the_patient_whose_resource_it_is(watched):
    two_courses(watched)
    own = observation_id(watched)
    answer = asked(watched, "GET", f"/fhir/Observation/{own}", "r-1")
    event = one_with(watched, "r-1")
    assert (event["type"]["code"], subtype(event), event["action"], event["outcome"]) == ("rest", "read", "R", "0")
    assert [each["what"]["reference"] for each in role(event, "4")] == [f"Observation/{own}"]
    assert patients(event) == [answer.json()["subject"]["reference"]]
    assert "query" not in str(event["entity"])


def test_row_105_client_and_server_are_agents_with_their_network(watched):
    two_courses(watched)
    asked(watched, "GET", f"/fhir/Observation/{observation_id(watched)}", "r-1")
    asked(watched, "GET", "/fhir/Observation?_count=1", "s-1")
    read, search = one_with(watched, "r-1"), one_with(watched, "s-1")
    for event, roles in ((read, ["110152", "110153"]), (search, ["110153", "110152"])):
        client, server = event["agent"]
        assert [each["type"]["coding"][0]["code"] for each in event["agent"]] == roles
        assert client["who"] == {"display": "anonymous client"}
        assert client["network"]["address"] == READER
        assert (client["requestor"], server["requestor"]) == (True, False)
        assert server["network"] == {"address": "http://127.0.0.1:8080", "type": "5"}
        assert event["source"]["observer"]["display"].startswith("closure-readings ")


def test_row_105_a_version_and_a_history_are_reads(watched):
    two_courses(watched)
    own = observation_id(watched)
    asked(watched, "GET", f"/fhir/Observation/{own}/_history/1", "v-1")
    asked(watched, "GET", f"/fhir/Observation/{own}/_history", "h-1")
    version, history = one_with(watched, "v-1"), one_with(watched, "h-1")
    assert (subtype(version), version["action"]) == ("vread", "R")
    assert role(version, "4")[0]["what"]["reference"] == f"Observation/{own}/_history/1"
    assert (subtype(history), history["action"]) == ("history-instance", "R")


@pytest.mark.parametrize("how", ["HEAD", "304"])
def test_row_105_an_answer_without_a_body_tells_of_the_patient_all_the_same(watched, how):
    two_courses(watched)
    path = f"/fhir/Observation/{observation_id(watched)}"
    if how == "HEAD":
        assert asked(watched, "HEAD", path, "x-1").content == b""
    else:
        assert asked(watched, "GET", path, "x-1", headers={"If-None-Match": 'W/"1"'}).status_code == 304
    assert len(patients(one_with(watched, "x-1"))) == 1


def test_row_105_a_search_that_holds_several_patients_is_one_event_for_each(watched):
    two_courses(watched)
    bundle = asked(watched, "GET", "/fhir/Observation?_count=1000&spoon=2", "s-1").json()
    shown = {entry["resource"]["subject"]["reference"] for entry in bundle["entry"] if "subject" in entry["resource"]}
    assert len(shown) == 2
    found = [event for event in events(watched) if request_id(event) == "s-1"]
    assert sorted(patients(event)[0] for event in found) == sorted(shown)
    assert {(subtype(event), event["action"]) for event in found} == {("search-type", "E")}


def test_row_105_the_query_is_kept_as_received_and_as_it_was_understood(watched):
    two_courses(watched)
    patient = watched.get("/fhir/Patient").json()["entry"][0]["resource"]["id"]
    bundle = asked(watched, "GET", f"/fhir/Observation?patient={patient}&spoon=2", "s-1").json()
    event = one_with(watched, "s-1")
    assert query_of(event) == f"GET /fhir/Observation?patient={patient}&spoon=2"
    (query,) = role(event, "24")
    assert query["description"] == next(link["url"] for link in bundle["link"] if link["relation"] == "self")
    assert "spoon" not in query["description"]


def test_row_105_a_search_by_form_keeps_the_form(watched):
    two_courses(watched)
    patient = watched.get("/fhir/Patient").json()["entry"][0]["resource"]["id"]
    asked(watched, "POST", "/fhir/Observation/_search", "s-1", data={"patient": patient})
    event = one_with(watched, "s-1")
    assert query_of(event) == f"POST /fhir/Observation/_search\n\npatient={patient}"
    assert patients(event) == [f"Patient/{patient}"]


def test_row_105_a_search_for_a_patient_that_finds_nothing_names_the_patient(watched):
    two_courses(watched)
    patient = watched.get("/fhir/Patient").json()["entry"][0]["resource"]["id"]
    asked(watched, "GET", f"/fhir/Observation?patient=Patient/{patient}&date=lt1990", "s-1")
    assert patients(one_with(watched, "s-1")) == [f"Patient/{patient}"]


def test_row_105_provenance_that_names_no_patient_is_told_to_the_one_it_belongs_to(watched):
    two_courses(watched)
    own = watched.get("/fhir/Provenance?_count=1").json()["entry"][0]["resource"]["id"]
    asked(watched, "GET", f"/fhir/Provenance/{own}", "r-1")
    assert len(patients(one_with(watched, "r-1"))) == 1


def test_row_105_an_accepted_document_is_an_import_that_names_its_provenances(watched):
    post(watched, "/intake/courses", course_file(installation(), check()), **{"X-Request-Id": "w-1"})
    event = one_with(watched, "w-1")
    assert (event["type"]["code"], event["action"], event["outcome"]) == ("110107", "C", "0")
    told = [each["what"]["reference"] for each in role(event, "4")]
    assert len(told) == 2
    for reference in told:
        assert watched.get(f"/fhir/{reference}").json()["resourceType"] == "Provenance"
    assert len(patients(event)) == 1


def test_row_105_a_document_that_changes_nothing_is_an_event_that_shows_the_patient(watched):
    two_courses(watched)
    again = post(watched, "/intake/courses", course_file(installation(), check()), **{"X-Request-Id": "w-2"})
    assert again.status_code == 200
    event = one_with(watched, "w-2")
    assert len(patients(event)) == 1
    assert not role(event, "4")


@pytest.mark.parametrize(
    ("path", "type_", "action", "shown"),
    [
        ("/intake/courses/alder-1", "110110", "R", 1),
        ("/intake/courses", "110112", "E", 2),
        ("/intake/due", "110112", "E", 2),
        ("/", "110112", "E", 2),
    ],
)
def test_row_105_views_of_the_intake_side_and_the_start_page_are_accesses(watched, path, type_, action, shown):
    two_courses(watched)
    asked(watched, "GET", path, "i-1")
    found = [event for event in events(watched) if request_id(event) == "i-1"]
    assert len(found) == shown
    assert {(event["type"]["code"], event["action"]) for event in found} == {(type_, action)}
    assert all(len(patients(event)) == 1 for event in found)


@pytest.mark.parametrize("path", ["/fhir/metadata", "/health", "/openapi.json", "/intake/plan/sheet?length_mm=160"])
def test_what_is_about_no_patient_is_not_recorded(watched, path):
    watched.get(path, headers={"X-Request-Id": "n-1"})
    assert [event for event in events(watched) if request_id(event) == "n-1"] == []


@pytest.mark.parametrize(
    ("method", "path", "status", "action"),
    [
        ("GET", "/fhir/Observation/unknown", 404, "R"),
        ("GET", "/fhir/Observation?date=Ingrid+Moen", 400, "E"),
        ("GET", "/fhir/Spoon/1", 404, "R"),
        ("DELETE", "/fhir/Observation/unknown", 405, "D"),
        ("PATCH", "/fhir/Observation/unknown", 405, "U"),
        ("GET", "/intake/courses/unknown", 404, "R"),
        ("POST", "/intake/courses", 415, "C"),
        ("GET", "/fhir", 404, "E"),
    ],
)
def test_row_106_a_refusal_is_recorded_with_its_status_and_nothing_of_what_was_sent(
    watched, method, path, status, action
):
    assert asked(watched, method, path, "f-1").status_code == status
    event = one_with(watched, "f-1")
    assert (event["outcome"], event["outcomeDesc"], event["action"]) == ("4", f"HTTP {status}", action)
    assert "Ingrid" not in str(event)  # the request is kept in base64, apart from what is shown


def test_row_106_a_crash_is_a_serious_failure(watched, monkeypatch):
    two_courses(watched)
    own = observation_id(watched)
    monkeypatch.setattr("service.store.reading.Reading.standing", lambda *_: {}["Ingrid Moen"])
    assert asked(watched, "GET", f"/fhir/Observation/{own}", "c-1").status_code == 500
    monkeypatch.undo()
    event = one_with(watched, "c-1")
    assert (event["outcome"], event["outcomeDesc"]) == ("8", "HTTP 500")
    assert "Ingrid" not in str(event)


def test_row_106_an_ordinary_client_cannot_read_the_record_and_its_attempt_is_recorded(settings):
    with TestClient(create_app(settings, clock=lambda: NOW), base_url=LOOPBACK) as client:
        for path in ("/fhir/AuditEvent", "/fhir/AuditEvent/any"):
            answer = client.get(path, headers={"X-Request-Id": "d-1"})
            assert answer.status_code == 403
            assert answer.json()["issue"][0]["code"] == "forbidden"
            assert "CLOSURE_READINGS_AUDIT_READERS" in answer.json()["issue"][0]["diagnostics"]
        assert client.get("/fhir/AuditEvent/_search").status_code >= 400
    told = [row for row in stored_events(settings) if row.request_id == "d-1"]
    assert [row.outcome for row in told] == ["4", "4"]


def stored_events(settings, **asked):
    store = open_store(settings.database_url)
    with store.read(settings.site) as reading:
        rows = find_events(reading, AuditAsked(limit=1000, **asked))
    store.close()
    return rows


def test_row_106_no_search_and_no_write_of_the_clinical_side_reaches_the_record(watched):
    two_courses(watched)
    own = events(watched)[0]["id"]
    assert watched.get(f"/fhir/AuditEvent/{own}").json()["id"] == own
    assert watched.get(f"/fhir/AuditEvent/{own}/_history").status_code == 404
    for method in ("PUT", "PATCH", "DELETE"):
        assert watched.request(method, f"/fhir/AuditEvent/{own}").status_code in {404, 405}
    assert watched.post("/fhir/AuditEvent", json={}).status_code in {404, 405, 415}
    assert watched.get("/fhir/Bundle").status_code == 404


def test_row_106_the_database_itself_refuses_to_change_the_record(watched, settings):
    two_courses(watched)
    assert events(watched)
    writer, reader = engines(settings.database_url, "FULL")
    for statement in ("UPDATE audit_events SET patient = ''", "DELETE FROM audit_events"):
        with pytest.raises(DBAPIError, match="appended and read only"), writer.begin() as connection:
            connection.execute(text(statement))
    writer.dispose()
    reader.dispose()


def test_every_event_is_a_sound_audit_event(watched):
    two_courses(watched)
    own = observation_id(watched)
    for path in (f"Observation/{own}", f"Observation/{own}/_history", "Task?patient=x", "Task?patient=%01", "Spoon/1",
                 "Observation/%20", "Task?_format=xml", "Patient/$everything", "Task?a=%F0%9F%A9%B9"):  # fmt: skip
        watched.get(f"/fhir/{path}")
    found = events(watched)
    assert len(found) > 10
    for event in found:
        assert [issue for issue in issues_of(event) if issue.severity == "error"] == []
        fhir.resources.R4B.auditevent.AuditEvent.model_validate_json(strict_json.write(event))


def test_row_107_the_privacy_office_searches_by_patient_date_action_and_outcome(settings):
    at = [NOW]
    app = create_app(replace(settings, audit_readers=frozenset({READER})), clock=lambda: at[0])
    with TestClient(app, base_url=LOOPBACK) as client:
        two_courses(client)
        at[0] += timedelta(days=1)
        client.get("/fhir/Observation/unknown")
        at[0] += timedelta(days=1)
        everything = events(client)
        assert [event["recorded"] for event in everything] == sorted((e["recorded"] for e in everything), reverse=True)
        (patient, *_) = patients(everything[-1])
        assert {patients(event)[0] for event in events(client, patient=patient)} == {patient}
        assert [event["outcome"] for event in events(client, outcome="4")] == ["4"]
        assert {event["action"] for event in events(client, action="C")} == {"C"}
        assert len(events(client, date="2026-03-09")) == 2
        assert [event["outcome"] for event in events(client, date="2026-03-10")] == ["4"]
        assert len(events(client, date="le2026-03-10")) == 3
        assert len(events(client, date=["ge2026-03-09", "lt2026-03-10"])) == 2
        for wrong in (
            "spoon=1",
            "date=x",
            "date=ap2026",
            "patient=a|b",
            "action=X",
            "outcome=1",
            "_count=0",
            "_cursor=|",
        ):
            assert client.get(f"/fhir/AuditEvent?{wrong}").status_code == 400, wrong


def test_row_107_the_record_is_read_page_by_page_without_gap_or_repeat(watched):
    two_courses(watched)
    for number in range(25):
        watched.get(f"/fhir/Observation/unknown-{number}")
    url, seen = "/fhir/AuditEvent?_count=7&outcome=4", []
    while url:
        bundle = watched.get(url).json()
        seen += [entry["resource"]["id"] for entry in bundle["entry"]]
        links = {link["relation"]: link["url"] for link in bundle["link"]}
        url = links.get("next", "").removeprefix("http://127.0.0.1:8080")
    assert len(seen) == len(set(seen)) == 25


def test_a_request_id_is_echoed_made_where_there_is_none_and_replaced_where_it_is_no_token(client):
    assert client.get("/health", headers={"X-Request-Id": "abc-1"}).headers["x-request-id"] == "abc-1"
    made = {client.get("/fhir/metadata").headers["x-request-id"] for _ in range(3)}
    assert len(made) == 3
    assert client.get("/nowhere", headers={"X-Request-Id": "a b" * 40}).headers["x-request-id"] != "a b" * 40


def test_reads_are_on_disk_a_second_later_and_at_the_end(settings):
    with TestClient(create_app(settings, clock=lambda: NOW), base_url=LOOPBACK) as client:
        client.get("/fhir/Observation/unknown")
        deadline = time.monotonic() + auditing.FLUSH_EVERY_S * 3
        while not stored_events(settings) and time.monotonic() < deadline:
            time.sleep(0.05)
        assert len(stored_events(settings)) == 1
        client.get("/fhir/Observation/unknown")
    assert len(stored_events(settings)) == 2


def test_a_write_and_its_event_are_one_commit(settings, monkeypatch):
    def crash(*_):
        raise RuntimeError("the event cannot be made")

    with TestClient(
        create_app(settings, clock=lambda: NOW), base_url=LOOPBACK, raise_server_exceptions=False
    ) as client:
        monkeypatch.setattr("service.workflow.auditing.append_events", crash)
        assert post(client, "/intake/courses", course_file(installation())).status_code == 500
        monkeypatch.undo()
        assert client.get("/intake/courses").json()["courses"] == []


def test_while_nothing_can_be_recorded_nothing_is_shown_and_what_waited_is_not_lost(settings, monkeypatch):
    monkeypatch.setattr(auditing, "MOST_WAITING", 3)
    with TestClient(
        create_app(settings, clock=lambda: NOW), base_url=LOOPBACK, raise_server_exceptions=False
    ) as client:

        def busy(*_):
            raise StoreBusyError("busy")

        with monkeypatch.context() as locked:
            locked.setattr("service.workflow.auditing.append_events", busy)
            statuses = [client.get("/fhir/Observation/unknown").status_code for _ in range(6)]
            assert statuses[:3] == [404] * 3
            assert statuses[3:] == [503] * 3
            assert client.get("/health").status_code == 204
    # The refused ones are recorded too: they were asked.
    assert sorted(row.outcome for row in stored_events(settings)) == ["4"] * 3 + ["8"] * 3


def test_accesses_of_many_threads_are_each_recorded_once(settings):
    with TestClient(create_app(settings, clock=lambda: NOW), base_url=LOOPBACK) as client:

        def ask(name):
            for number in range(25):
                client.get("/fhir/Observation/unknown", headers={"X-Request-Id": f"{name}-{number}"})

        threads = [threading.Thread(target=ask, args=(name,)) for name in "abcd"]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    told = [row.request_id for row in stored_events(settings)]
    assert len(told) == len(set(told)) == 100


OTHER_PATIENT = {
    "resourceType": "Patient",
    "identifier": [{"system": "https://alder-bay.example/mrn", "value": "AB-7"}],
}


@pytest.mark.parametrize("kind", ["transaction", "batch"])
def test_row_105_a_bundle_is_an_event_for_each_patient_it_wrote_or_showed(watched, kind):
    two_courses(watched)
    bundle = {
        "resourceType": "Bundle",
        "type": kind,
        "entry": [
            {"resource": OTHER_PATIENT, "request": {"method": "POST", "url": "Patient"}},
            {"request": {"method": "GET", "url": "Patient?identifier=https://alder-bay.example/mrn|AB-2"}},
        ],
    }
    sent = {"Content-Type": "application/fhir+json", "X-Request-Id": "b-1"}
    answer = watched.post("/fhir", content=strict_json.write(bundle), headers=sent)
    assert answer.status_code == 200, answer.text
    location = answer.json()["entry"][0]["response"]["location"].removeprefix("http://127.0.0.1:8080/fhir/")
    created = location.partition("/_history/")[0]
    found = [event for event in events(watched) if request_id(event) == "b-1"]
    assert {subtype(event) for event in found} == {kind}
    assert len(found) == 2
    (wrote,) = [event for event in found if patients(event) == [created]]
    assert role(wrote, "4")[0]["what"]["reference"] == f"{created}/_history/1"


def test_row_105_a_create_and_an_update_are_c_and_u_of_the_resource(watched):
    sent = {"Content-Type": "application/fhir+json"}
    body = OTHER_PATIENT | {"id": "p-7"}
    watched.put("/fhir/Patient/p-7", content=strict_json.write(body), headers=sent | {"X-Request-Id": "u-1"})
    other = OTHER_PATIENT | {"identifier": [{"system": "https://alder-bay.example/mrn", "value": "AB-8"}]}
    watched.post("/fhir/Patient", content=strict_json.write(other), headers=sent | {"X-Request-Id": "c-1"})
    updated, created = one_with(watched, "u-1"), one_with(watched, "c-1")
    assert (subtype(updated), updated["action"], patients(updated)) == ("update", "U", ["Patient/p-7"])
    assert (subtype(created), created["action"]) == ("create", "C")
    assert role(created, "4")[0]["what"]["reference"] == f"{patients(created)[0]}/_history/1"


def test_the_command_line_shows_the_record(watched, settings, monkeypatch):
    two_courses(watched)
    watched.get("/fhir/Observation/unknown")
    assert events(watched)
    monkeypatch.setenv("DATABASE_URL", settings.database_url)
    shown = CliRunner().invoke(cli, ["audit", "--json"])
    assert shown.exit_code == 0
    assert len(shown.stdout.splitlines()) == len(stored_events(settings))
    failures = CliRunner().invoke(cli, ["audit", "--failures", "--json"])
    assert [strict_json.read(line.encode())["outcome"] for line in failures.stdout.splitlines()] == ["4"]
    assert "Import" in CliRunner().invoke(cli, ["audit"], env={"COLUMNS": "200"}).stdout
    assert CliRunner().invoke(cli, ["audit", "--date", "yesterday"]).exit_code == 2
