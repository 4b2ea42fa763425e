"""Create and update through FHIR (http://hl7.org/fhir/R4/http.html), by the rows of the requirements that they prove.

Each test of a row names it; the section of http.html it rests on stands beside the check. What a hospital may send is
this project's own decision (docs/fhir-writing.md).
"""

import json

import pytest
from starlette.testclient import TestClient

from service.api.app import create_app
from service.config import Settings
from service.fhir import wire
from service.fhir.validate import check as issues_in
from service.fhir.writable import WRITABLE
from service.workflow import open_workflow
from tests.api.fhir_writing import (
    BASE,
    FHIR,
    LAB,
    STAFF,
    STAY,
    TAG,
    chart_course,
    encounter,
    issues_of,
    organization,
    patient,
    practitioner,
    pressure,
    send,
    stored,
    without_store,
)
from tests.intake.documents import NOW, check, course, course_file, installation
from tests.signing_in import LOOPBACK


def created(client, resource, **headers):
    answer = send(client, "POST", resource["resourceType"], resource, **headers)
    assert answer.status_code == 201, answer.text
    return answer


def differences_of(settings):
    """What the stored resources and a fresh projection of the readings do not agree on."""
    workflow = open_workflow(settings)
    try:
        return list(workflow.differences(NOW))
    finally:
        workflow.close()


# Row 17: create


def test_row_17_a_create_ignores_id_version_and_time_of_the_client(client):
    sent = practitioner(id="mine", meta={"versionId": "7", "lastUpdated": "2001-01-01T00:00:00Z"})
    answer = created(client, sent)
    made = answer.json()
    assert made["id"] != "mine"  # #create: the server SHALL ignore the id
    assert (made["meta"]["versionId"], made["meta"]["lastUpdated"][:10]) == ("1", "2026-03-09")
    assert answer.headers["location"] == f"{BASE}/Practitioner/{made['id']}/_history/1"  # #create: SHALL
    assert answer.headers["etag"] == 'W/"1"'
    assert answer.headers["last-modified"].endswith("GMT")
    assert client.get(f"/fhir/Practitioner/{made['id']}").json() == made


def test_an_id_that_is_none_does_not_matter_to_a_create(client):
    created(client, practitioner(id="not an id"))


@pytest.mark.parametrize("type_", ["Patient", "Encounter", "Practitioner", "Organization", "Observation"])
def test_every_type_that_may_be_sent_is_stored_as_it_was_sent_and_marked(client, type_):
    about = f"Patient/{created(client, patient('AB-9')).json()['id']}"
    sent = {
        "Patient": patient("AB-10"),
        "Encounter": encounter(about),
        "Practitioner": practitioner(),
        "Organization": organization(),
        "Observation": pressure(about, meta={"profile": ["https://alder-bay.example/p"], "source": "urn:feed:4"}),
    }[type_]
    answer = created(client, sent)
    made = wire.read(answer.content)
    assert without_store(made) == without_store(sent)
    assert TAG in made["meta"]["tag"]
    assert made["meta"]["source"] == sent.get("meta", {}).get("source", f"{TAG['system'][:-7]}/site/demo/fhir")
    assert made["meta"].get("profile") == sent.get("meta", {}).get("profile")
    assert [issue for issue in issues_in(made) if issue.severity == "error"] == []
    assert client.get(f"/fhir/{type_}?_id={made['id']}").json()["total"] == 1


def test_row_64_decimals_keep_the_digits_they_were_sent_with(client):
    about = f"Patient/{created(client, patient()).json()['id']}"
    for digits in ("70.50", "0.00", "31.0", "100", "1E-9", "-0.0"):
        raw = wire.write(pressure(about)).replace(b"70.50", digits.encode())
        answer = send(client, "POST", "Observation", raw)
        value = answer.content.partition(b'"valueQuantity":{"value":')[2].partition(b",")[0].decode()
        # json.html#decimal: precision is kept; an exponent of a short number is written out.
        assert value == {"1E-9": "0.000000001"}.get(digits, digits)


def test_the_marks_of_the_service_cannot_be_worn_by_others(client):
    forged = {"source": "https://closure-readings.example/fhir/site/demo/intake", "tag": [TAG, TAG]}
    meta = created(client, practitioner(meta=forged)).json()["meta"]
    assert meta["source"].endswith("/site/demo/fhir")
    assert meta["tag"] == [TAG]


# Rows 5, 6, 7, 65, 66: what is refused


@pytest.mark.parametrize(
    ("body", "status", "code"),
    [
        (b"", 400, "structure"),
        (b"[1,2]", 400, "structure"),
        (b'{"resourceType":"Practitioner","active":true,"active":false}', 400, "structure"),  # json.html: no key twice
        (b'{"resourceType":"Practitioner","active":NaN}', 400, "structure"),
        (b'{"resourceType":"Practitioner","id":"\\ud800"}', 400, "structure"),
        (b'{"resourceType":"Patient"}', 400, "invalid"),
        (b'{"resourceType":"Practitioner","active":null}', 422, "structure"),
        (b'{"resourceType":"Practitioner","name":[]}', 422, "structure"),
        (b'{"resourceType":"Practitioner","birthDate":"2021-02-30"}', 422, "value"),
        (b'{"resourceType":"Practitioner","gender":"frog"}', 422, "code-invalid"),
        (b'{"resourceType":"Practitioner","nickname":"x"}', 422, "structure"),
    ],
)  # fmt: skip
def test_rows_5_and_65_what_cannot_be_stored_is_refused_with_an_outcome(client, body, status, code):
    issues = issues_of(send(client, "POST", "Practitioner", body), status)
    assert issues[0]["severity"] == "error"
    assert code in {issue["code"] for issue in issues}
    assert stored(client, "Practitioner") == []


def test_row_7_every_issue_of_a_resource_is_told_with_its_expression(client):
    wrong = practitioner(gender="frog", birthDate="2021-02-30", photo=[])
    found = {issue["expression"][0] for issue in issues_of(send(client, "POST", "Practitioner", wrong), 422)}
    assert {"Practitioner.gender", "Practitioner.birthDate", "Practitioner.photo"} <= found


def test_row_66_instants_and_dates_with_time_need_their_zone(client):
    about = f"Patient/{created(client, patient()).json()['id']}"
    wrong = pressure(about, effectiveDateTime="2026-03-02T20:00:00", issued="2026-03-02T20:00Z")
    found = {issue["expression"][0] for issue in issues_of(send(client, "POST", "Observation", wrong), 422)}
    assert {"Observation.effectiveDateTime", "Observation.issued"} <= found


def test_row_5_another_media_type_is_415_and_too_long_a_body_413(client):
    answer = send(client, "POST", "Practitioner", practitioner(), Content_Type="application/fhir+xml")
    issues_of(answer, 415)
    issues_of(send(client, "POST", "Practitioner", b" " * (1024 * 1024 + 1)), 413)


def test_row_3_an_answer_that_cannot_be_given_is_406_before_anything_is_written(client):
    issues_of(send(client, "POST", "Practitioner", practitioner(), Accept="application/fhir+xml"), 406)
    assert stored(client, "Practitioner") == []


@pytest.mark.parametrize("type_", ["CarePlan", "Task", "Flag", "Device", "Procedure", "Provenance"])
def test_row_7_what_the_projection_owns_cannot_be_created(client, type_):
    answer = send(client, "POST", type_, {"resourceType": type_})
    assert "readings" in issues_of(answer, 405)[0]["diagnostics"]
    assert answer.headers["allow"] == "GET, HEAD"
    issues_of(send(client, "PUT", f"{type_}/x", {"resourceType": type_, "id": "x"}), 405)


def test_row_7_a_type_that_is_not_served_is_404(client):
    issues_of(send(client, "POST", "Medication", {"resourceType": "Medication"}), 404)


def test_a_resource_of_the_projection_is_read_only_whatever_its_type(client):
    chart_course(client, installation(), check())
    for type_ in ("Observation", "CarePlan"):
        owned = stored(client, type_)[0]
        before = client.get(f"/fhir/{type_}/{owned['id']}").content
        answer = send(client, "PUT", f"{type_}/{owned['id']}", owned)
        assert "readings" in issues_of(answer, 405)[0]["diagnostics"]
        assert client.get(f"/fhir/{type_}/{owned['id']}").content == before


@pytest.mark.parametrize("method", ["DELETE", "PATCH"])
def test_row_21_deleting_and_patching_are_refused(client, method):
    id_ = created(client, practitioner()).json()["id"]
    for path in (f"Practitioner/{id_}", "Practitioner?identifier=x"):
        answer = client.request(method, f"/fhir/{path}")
        assert issues_of(answer, 405)[0]["code"] == "not-supported"
        assert "PUT" in answer.headers["allow"]
    assert len(stored(client, "Practitioner")) == 1


# Row 8: Prefer


@pytest.mark.parametrize("method", ["POST", "PUT"])
def test_row_8_the_client_chooses_what_it_is_answered(client, method):
    path, sent = ("Practitioner", practitioner()) if method == "POST" else ("Practitioner/p", practitioner(id="p"))
    minimal = send(client, method, path, sent, Prefer="return=minimal")
    assert (minimal.status_code, minimal.content) == (201, b"")
    assert minimal.headers["location"]
    whole = send(client, method, path, sent, Prefer="respond-async, return=representation")
    assert whole.json()["resourceType"] == "Practitioner"
    told = send(client, method, path, sent, Prefer="return=OperationOutcome")
    assert told.json()["resourceType"] == "OperationOutcome"
    assert "location" in told.headers


def test_row_8_an_outcome_tells_the_warnings_of_what_was_stored(client):
    strange = {"url": "https://elsewhere.example/extension", "valueString": "x"}
    answer = created(client, practitioner(extension=[strange]), Prefer="return=OperationOutcome")
    assert [issue["severity"] for issue in answer.json()["issue"]] == ["warning"]


# Rows 16 and 18: update


def test_row_18_an_update_makes_the_next_version_and_keeps_the_one_before(client):
    id_ = created(client, practitioner()).json()["id"]
    answer = send(client, "PUT", f"Practitioner/{id_}", practitioner(id=id_, active=True))
    assert (answer.status_code, answer.headers["etag"]) == (200, 'W/"2"')
    assert "active" not in client.get(f"/fhir/Practitioner/{id_}/_history/1").json()
    assert client.get(f"/fhir/Practitioner/{id_}").json()["active"] is True
    statuses = [e["response"]["status"] for e in client.get(f"/fhir/Practitioner/{id_}/_history").json()["entry"]]
    assert statuses == ["200", "201"]


def test_the_same_content_again_makes_no_version(client):
    made = created(client, practitioner()).json()
    before = client.get(f"/fhir/Practitioner/{made['id']}").content
    answer = send(client, "PUT", f"Practitioner/{made['id']}", made)
    assert (answer.status_code, answer.headers["etag"]) == (200, 'W/"1"')
    assert client.get(f"/fhir/Practitioner/{made['id']}").content == before


@pytest.mark.parametrize("body_id", [None, "other"])
def test_row_18_the_id_of_the_body_must_be_that_of_the_url(client, body_id):
    sent = practitioner(**({"id": body_id} if body_id else {}))
    issues_of(send(client, "PUT", "Practitioner/mine", sent), 400)  # #update: SHALL
    assert stored(client, "Practitioner") == []


def test_row_18_an_update_creates_where_that_is_declared(client):
    answer = send(client, "PUT", "Practitioner/dr-lark", practitioner(id="dr-lark"))
    assert (answer.status_code, answer.headers["location"]) == (201, f"{BASE}/Practitioner/dr-lark/_history/1")
    rows = {row["type"]: row for row in client.get("/fhir/metadata").json()["rest"][0]["resource"]}
    assert {type_ for type_, row in rows.items() if row.get("updateCreate")} == {
        type_ for type_, writable in WRITABLE.items() if writable.update
    }


def test_row_16_a_stale_version_is_412_and_the_current_one_is_taken(client):
    id_ = created(client, practitioner()).json()["id"]
    first = send(client, "PUT", f"Practitioner/{id_}", practitioner(id=id_, active=True), If_Match='W/"1"')
    assert first.status_code == 200
    second = send(client, "PUT", f"Practitioner/{id_}", practitioner(id=id_, active=False), If_Match='W/"1"')
    issues_of(second, 412)  # #concurrency: 412 in R4, 409 was STU3
    assert client.get(f"/fhir/Practitioner/{id_}").json()["active"] is True
    for tag in ('W/"2"', '"2"', 'W/"1", W/"2"', "*"):  # RFC 9110 13.1.1: a list; the comparison of R4 is of versions
        answer = send(client, "PUT", f"Practitioner/{id_}", practitioner(id=id_, active=True), If_Match=tag)
        assert answer.status_code == 200


def test_row_16_a_version_of_what_is_not_there_is_412_and_no_tag_at_all_400(client):
    issues_of(send(client, "PUT", "Practitioner/x", practitioner(id="x"), If_Match='W/"1"'), 412)
    issues_of(send(client, "PUT", "Practitioner/x", practitioner(id="x"), If_Match="1"), 400)
    assert stored(client, "Practitioner") == []


def test_row_25_if_none_match_any_creates_once(client):
    sent = practitioner(id="once")
    assert send(client, "PUT", "Practitioner/once", sent, If_None_Match="*").status_code == 201
    issues_of(send(client, "PUT", "Practitioner/once", sent | {"active": True}, If_None_Match="*"), 412)
    assert "active" not in client.get("/fhir/Practitioner/once").json()


# Rows 22 to 24: conditional forms


def test_row_22_a_conditional_create_creates_once_and_then_gives_the_match(client):
    condition = f"identifier={LAB}|bp-1"
    about = f"Patient/{created(client, patient()).json()['id']}"
    first = created(client, pressure(about), If_None_Exist=condition)
    again = send(client, "POST", "Observation", pressure(about, status="amended"), If_None_Exist=condition)
    assert again.status_code == 200  # #ccreate: one match: 200, nothing is written
    assert again.json() == first.json()
    assert again.headers["location"] == first.headers["location"]
    assert again.headers["etag"] == first.headers["etag"]


def test_row_22_the_condition_is_taken_with_the_type_before_it(client):
    for _ in range(2):
        send(client, "POST", "Practitioner", practitioner(), If_None_Exist=f"Practitioner?identifier={STAFF}|s-118")
    assert len(stored(client, "Practitioner")) == 1


def test_row_22_several_matches_are_412(client):
    for _ in range(2):
        created(client, practitioner())
    issues = issues_of(send(client, "POST", "Practitioner", practitioner(), If_None_Exist="identifier=s-118"), 412)
    assert issues[0]["code"] == "multiple-matches"
    assert len(stored(client, "Practitioner")) == 2


def test_identifiers_are_compared_whole(client):
    created(client, practitioner("s-1"), If_None_Exist="identifier=s-1")
    created(client, practitioner("s-11"), If_None_Exist="identifier=s-11")
    created(client, practitioner("s-111"), If_None_Exist="identifier=s-111")
    assert len(stored(client, "Practitioner")) == 3


def test_what_does_not_answer_its_own_condition_is_refused_since_it_would_come_again_and_again(client):
    issues_of(send(client, "POST", "Practitioner", practitioner("s-2"), If_None_Exist="identifier=s-1"), 400)
    assert stored(client, "Practitioner") == []


@pytest.mark.parametrize(
    "condition",
    ["", "identifer=x", "identifier:near=x", "_count=1", "identifier=", "Patient?identifier=x", "_sort=_id"],
)
def test_row_24_a_condition_that_cannot_be_held_to_is_400(client, condition):
    issues_of(send(client, "POST", "Practitioner", practitioner("x"), If_None_Exist=condition), 400)
    issues_of(send(client, "PUT", f"Practitioner?{condition}", practitioner("x")), 400)
    assert stored(client, "Practitioner") == []


@pytest.mark.parametrize(
    ("method", "header", "value"),
    [
        ("POST", "If_Match", 'W/"1"'),
        ("POST", "If_None_Match", "*"),
        ("POST", "If_Modified_Since", "Mon, 09 Mar 2026 11:00:00 GMT"),
        ("PUT", "If_None_Exist", "identifier=x"),
        ("PUT", "If_None_Match", 'W/"1"'),
        ("PUT", "If_Unmodified_Since", "Mon, 09 Mar 2026 11:00:00 GMT"),
    ],
)
def test_row_24_an_unsupported_condition_is_400_and_not_left_out(client, method, header, value):
    path = "Practitioner" if method == "POST" else "Practitioner/x"
    issues_of(send(client, method, path, practitioner(id="x"), **{header: value}), 400)
    assert stored(client, "Practitioner") == []


def test_row_23_a_conditional_update_by_the_number_of_matches(client):
    where = "Practitioner?identifier=s-118"
    made = send(client, "PUT", where, practitioner())
    assert made.status_code == 201  # none, no id
    id_ = made.json()["id"]
    assert send(client, "PUT", where, practitioner(active=True)).headers["etag"] == 'W/"2"'  # one, no id
    assert send(client, "PUT", where, practitioner(active=False, id=id_)).headers["etag"] == 'W/"3"'  # one, its id
    issues_of(send(client, "PUT", where, practitioner(id="other")), 400)  # one, another id
    named = send(client, "PUT", "Practitioner?identifier=s-2", practitioner("s-2", id="dr-two"))
    assert (named.status_code, named.json()["id"]) == (201, "dr-two")  # none, with an id
    issues_of(send(client, "PUT", "Practitioner?identifier=s-3", practitioner("s-3", id="dr-two")), 409)
    created(client, practitioner())
    assert issues_of(send(client, "PUT", where, practitioner()), 412)[0]["code"] == "multiple-matches"


def test_a_conditional_update_holds_to_if_match_as_well(client):
    created(client, practitioner())
    where = "Practitioner?identifier=s-118"
    issues_of(send(client, "PUT", where, practitioner(active=True), If_Match='W/"9"'), 412)
    assert send(client, "PUT", where, practitioner(active=True), If_Match='W/"1"').status_code == 200


# References


def test_what_is_referred_to_has_to_be_here(client):
    issues = issues_of(send(client, "POST", "Observation", pressure("Patient/nobody")), 422)
    assert issues[0]["expression"] == ["Observation.subject.reference"]


def test_a_reference_to_another_patients_resource_is_refused(client):
    one, other = (f"Patient/{created(client, patient(value)).json()['id']}" for value in ("AB-1", "AB-2"))
    stay = created(client, encounter(other)).json()["id"]
    wrong = pressure(one, encounter={"reference": f"Encounter/{stay}"})
    assert issues_of(send(client, "POST", "Observation", wrong), 422)[0]["expression"] == [
        "Observation.encounter.reference"
    ]
    assert send(client, "POST", "Observation", {**wrong, "subject": {"reference": other}}).status_code == 201


def test_a_reference_with_the_servers_own_base_is_found_like_a_relative_one(client):
    id_ = created(client, patient()).json()["id"]
    made = created(client, pressure(f"{BASE}/Patient/{id_}")).json()
    assert made["subject"]["reference"] == f"{BASE}/Patient/{id_}"
    found = client.get(f"/fhir/Observation?patient={id_}").json()
    assert [entry["resource"]["id"] for entry in found["entry"]] == [made["id"]]
    issues_of(send(client, "POST", "Observation", pressure(f"{BASE}/Patient/nobody")), 422)


def test_a_stored_resource_stays_with_its_patient(client):
    one, other = (f"Patient/{created(client, patient(value)).json()['id']}" for value in ("AB-1", "AB-2"))
    made = created(client, pressure(one)).json()
    answer = send(client, "PUT", f"Observation/{made['id']}", pressure(other, id=made["id"]))
    assert "entered-in-error" in issues_of(answer, 422)[0]["diagnostics"]


# One Patient, wherever it comes from


def test_the_hospitals_patient_takes_the_place_of_the_charted_one_on_the_same_id(client):
    id_ = chart_course(client, patient=course()["patient"] | {"family": "Mos", "birth_date": "1961-04-05"})
    charted = client.get(f"/fhir/Patient/{id_}").json()
    fuller = patient(birthDate="1961-05-04", telecom=[{"system": "phone", "value": "0100"}])
    answer = send(client, "POST", "Patient", fuller)
    assert (answer.status_code, answer.headers["location"]) == (200, f"{BASE}/Patient/{id_}/_history/2")
    assert without_store(answer.json()) == without_store(fuller)
    assert [each["id"] for each in stored(client, "Patient")] == [id_]
    assert client.get(f"/fhir/Patient/{id_}/_history/1").json() == charted  # what was charted is still to be read


def test_later_readings_do_not_write_over_the_hospitals_patient(client, settings):
    id_ = chart_course(client)
    send(client, "POST", "Patient", patient(active=True))
    before = client.get(f"/fhir/Patient/{id_}").content
    body = wire.write(course_file(installation(), check(), patient=course()["patient"] | {"family": "Other"}))
    answer = client.post("/intake/courses", content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code == 201
    assert client.get(f"/fhir/Patient/{id_}").content == before
    assert {each["subject"]["reference"] for each in stored(client, "Observation")} == {f"Patient/{id_}"}
    assert differences_of(settings) == []


def test_a_course_takes_the_patient_and_stay_that_the_hospital_sent_before(client, settings):
    identifiers = [*patient("n-7")["identifier"], *patient()["identifier"]]
    send(client, "PUT", "Patient/ivy", patient(id="ivy", identifier=identifiers))
    send(client, "PUT", "Encounter/stay", encounter("Patient/ivy", id="stay"))
    before = [client.get(f"/fhir/{place}").content for place in ("Patient/ivy", "Encounter/stay")]
    stay = {"identifier": {"system": STAY, "value": "stay-1"}}
    assert chart_course(client, installation(), check(), encounter=stay) == "ivy"
    assert len(stored(client, "Patient")) == len(stored(client, "Encounter")) == 1
    assert [client.get(f"/fhir/{place}").content for place in ("Patient/ivy", "Encounter/stay")] == before
    plan = stored(client, "CarePlan")[0]
    assert (plan["subject"]["reference"], plan["encounter"]["reference"]) == ("Patient/ivy", "Encounter/stay")
    view = client.get("/intake/courses/alder-1").json()
    assert view["links"]["patient"] == f"{BASE}/Patient/ivy"
    assert client.get("/intake/courses").json()["courses"][0]["links"]["patient"] == f"{BASE}/Patient/ivy"
    assert differences_of(settings) == []


def test_a_stay_of_another_patient_is_never_taken_by_a_course(client):
    send(client, "PUT", "Patient/other", patient("AB-2", id="other"))
    send(client, "PUT", "Encounter/stay", encounter("Patient/other", id="stay"))
    chart_course(client, encounter={"identifier": {"system": STAY, "value": "stay-1"}})
    assert stored(client, "CarePlan")[0]["encounter"]["reference"] != "Encounter/stay"
    assert client.get("/fhir/Encounter/stay").json()["subject"]["reference"] == "Patient/other"


def test_a_second_patient_with_an_identifier_that_is_here_is_refused_and_its_repetition_is_not(client):
    first = created(client, patient()).json()
    same = send(client, "POST", "Patient", patient())
    assert (same.status_code, same.json()) == (200, first)
    issues_of(send(client, "POST", "Patient", patient(active=True)), 409)
    issues_of(send(client, "PUT", "Patient/other", patient(id="other")), 409)
    assert [each["id"] for each in stored(client, "Patient")] == [first["id"]]


def test_nothing_is_merged_that_is_two_patients_here(client):
    for value in ("AB-1", "AB-2"):
        created(client, patient(value))
    both = patient(identifier=[*patient("AB-1")["identifier"], *patient("AB-2")["identifier"]])
    issues_of(send(client, "POST", "Patient", both), 409)
    assert len(stored(client, "Patient")) == 2


def test_the_identifier_of_a_course_cannot_be_taken_from_its_patient(client):
    id_ = chart_course(client)
    issues = issues_of(send(client, "PUT", f"Patient/{id_}", patient("AB-77", id=id_)), 409)
    assert issues[0]["expression"] == ["Patient.identifier"]
    kept = patient(id=id_, identifier=[*patient("AB-77")["identifier"], *patient()["identifier"]])
    assert send(client, "PUT", f"Patient/{id_}", kept).status_code == 200


def test_a_course_never_lands_on_a_patient_whose_id_only_looks_like_its_own(client, tmp_path):
    usual = chart_course(client)
    other = Settings(database_url=f"sqlite:///{tmp_path}/other.sqlite3")
    with TestClient(create_app(other, clock=lambda: NOW), base_url=LOOPBACK) as second:
        send(second, "PUT", f"Patient/{usual}", patient("somebody-else", id=usual))
        assert chart_course(second) != usual


def test_diagnostics_hold_nothing_about_the_patient(client):
    secret = "Ødegård"
    id_ = chart_course(client)
    sent = [
        ("POST", "Patient", patient(gender=1, name=[{"family": secret}])),
        ("PUT", f"Patient/{id_}", patient(secret, id=id_, name=[{"family": secret}])),
        ("POST", "Observation", pressure(f"Patient/{id_}", valueString=secret)),
        ("POST", "Observation", pressure("Patient/nobody", note=[{"text": secret}])),
    ]
    for method, path, resource in sent:
        answer = send(client, method, path, resource)
        assert answer.status_code >= 400
        assert secret not in answer.text


def test_an_identifier_too_long_to_be_found_by_is_refused(client):
    issues_of(send(client, "POST", "Practitioner", practitioner("x" * 201)), 422)
    created(client, practitioner("x" * 200))


def test_the_openapi_document_names_the_routes_of_writing(client):
    paths = client.get("/openapi.json").json()["paths"]
    assert {"post", "get", "put"} <= set(paths["/fhir/{resource_type}"])
    assert "post" in paths["/fhir"]


def test_row_58_what_is_claimed_of_writing_works_and_nothing_else_does(client):
    rest = client.get("/fhir/metadata").json()["rest"][0]
    assert {each["code"] for each in rest["interaction"]} == {"transaction", "batch"}
    served = [row for row in rest["resource"] if "interaction" in row]
    assert {row["type"] for row in rest["resource"] if row not in served} == {"Group"}
    for row in served:
        codes = {each["code"] for each in row["interaction"]}
        refused = send(client, "POST", row["type"], json.dumps({"resourceType": row["type"]}).encode())
        assert (refused.status_code == 405) == ("create" not in codes)
        refused = send(client, "PUT", f"{row['type']}/x", json.dumps({"resourceType": row["type"]}).encode())
        assert (refused.status_code == 405) == ("update" not in codes)
        assert row["conditionalCreate"] is (row["type"] in WRITABLE)
        assert row["conditionalUpdate"] is (row["type"] in WRITABLE and "update" in codes)
        assert (client.delete(f"/fhir/{row['type']}/x").status_code == 405) == ("delete" not in codes)
    assert FHIR in client.get("/fhir/metadata").json()["format"]
