"""Transactions and batches (http://hl7.org/fhir/R4/http.html#transaction, #trules, #brules), row by row."""

import itertools
from dataclasses import replace
from uuid import UUID, uuid5

import pytest
from starlette.testclient import TestClient

from service.api.app import create_app
from service.fhir import wire
from service.fhir.validate import check as issues_in
from tests.api.fhir_writing import (
    BASE,
    MRN,
    STAFF,
    chart_course,
    encounter,
    issues_of,
    organization,
    patient,
    practitioner,
    pressure,
    send,
    stored,
)
from tests.intake.documents import NOW, check, installation
from tests.signing_in import LOOPBACK

NAMES = UUID("6f1e7d0e-7f5d-4f6b-9f0e-2f3f9b8a1c55")  # any: the urn:uuids of these Bundles are made from it


def urn(name):
    return f"urn:uuid:{uuid5(NAMES, name)}"


def post(resource, name="", **request):
    row = {"fullUrl": urn(name)} if name else {}
    return row | {"resource": resource, "request": {"method": "POST", "url": resource["resourceType"]} | request}


def put(resource, url="", name="", **request):
    row = {"fullUrl": urn(name)} if name else {}
    url = url or f"{resource['resourceType']}/{resource['id']}"
    return row | {"resource": resource, "request": {"method": "PUT", "url": url} | request}


def get(url, method="GET", **request):
    return {"request": {"method": method, "url": url} | request}


def bundle(*entries, kind="transaction"):
    return {"resourceType": "Bundle", "type": kind, "entry": list(entries)}


def run(client, *entries, kind="transaction", **headers):
    """The entries of the answer to a Bundle that was taken."""
    answer = send(client, "POST", "", bundle(*entries, kind=kind), **headers)
    assert answer.status_code == 200, answer.text
    told = wire.read(answer.content)
    assert told["type"] == f"{kind}-response"
    assert [issue for issue in issues_in(told) if issue.severity == "error"] == []
    assert len(told["entry"]) == len(entries)  # #transaction-response: one for each, in the same order
    return told["entry"]


def everything(client):
    types = ("Patient", "Encounter", "Practitioner", "Organization", "Observation")
    return {type_: stored(client, type_) for type_ in types}


def ward():
    """A patient, a stay, who measured, for whom, and a pressure that refers to all of them."""
    measured = pressure(urn("ivy"), encounter={"reference": urn("stay")})
    measured["performer"] = [{"reference": urn("lark")}]
    lark = practitioner(qualification=[{"code": {"text": "RN"}, "issuer": {"reference": urn("ward")}}])
    return [
        post(measured, "bp"),
        post(encounter(urn("ivy")), "stay"),
        post(lark, "lark"),
        post(organization(), "ward"),
        post(patient(), "ivy", ifNoneExist=f"identifier={MRN}|AB-1"),
    ]


def shape(client):
    """What is stored, with every id replaced by what the resource is: equal for equal contents."""
    found = everything(client)
    names = {f"{type_}/{each['id']}": each["identifier"][0]["value"] for type_, rows in found.items() for each in rows}
    text = b"\n".join(sorted(wire.write({**each, "id": "", "meta": {}}) for rows in found.values() for each in rows))
    for reference, name in names.items():
        text = text.replace(reference.encode(), name.encode())
    return text


# Row 53


def test_row_53_everything_of_a_transaction_is_stored_and_told(client):
    told = run(client, *ward())
    assert [each["response"]["status"] for each in told] == ["201 Created"] * 5
    types = ["Observation", "Encounter", "Practitioner", "Organization", "Patient"]
    for type_, each in zip(types, told, strict=True):
        made = client.get(each["response"]["location"].removeprefix("http://127.0.0.1:8080"))
        assert made.headers["etag"] == each["response"]["etag"] == 'W/"1"'
        assert each["fullUrl"] == f"{BASE}/{type_}/{made.json()['id']}"
        assert each["response"]["lastModified"] == made.json()["meta"]["lastUpdated"]
        assert wire.read(made.content) == each["resource"]
    assert {len(rows) for rows in everything(client).values()} == {1}


def test_row_53_nothing_of_a_transaction_is_stored_when_one_entry_fails(client):
    before = everything(client)
    for wrong in (
        post(practitioner(gender="frog")),
        post(pressure("Patient/nobody")),
        put(practitioner(id="x"), ifMatch='W/"1"'),
        put(practitioner(id="x"), "Practitioner/y"),
        get("Patient/nobody"),
        get("Patient?birthdate=13-13"),
        post(practitioner("2"), ifNoneExist="identifer=2"),
    ):
        answer = send(client, "POST", "", bundle(*ward(), wrong))
        issue = issues_of(answer, answer.status_code)[0]
        assert 400 <= answer.status_code < 500
        assert issue["expression"][0].startswith("Bundle.entry[5]")
        assert everything(client) == before
    assert run(client, *ward())  # the same without it is taken


def test_row_53_every_fault_of_every_resource_is_told(client):
    answer = send(client, "POST", "", bundle(post(practitioner(gender="a")), post(practitioner(birthDate="b"))))
    found = {each for issue in issues_of(answer, 422) for each in issue["expression"]}
    assert {"Bundle.entry[0].resource.gender", "Bundle.entry[1].resource.birthDate"} <= found


def test_row_53_the_result_does_not_depend_on_the_order_of_the_entries(client, settings, tmp_path):
    run(client, *ward())
    expected = shape(client)
    for number, order in enumerate(itertools.islice(itertools.permutations(ward()), 0, 120, 17)):
        fresh = replace(settings, database_url=f"sqlite:///{tmp_path}/order-{number}.sqlite3")
        with TestClient(create_app(fresh, clock=lambda: NOW), base_url=LOOPBACK) as other:
            run(other, *order)
            assert shape(other) == expected


def test_row_53_reads_come_last_whatever_their_place(client):
    told = run(client, get("Practitioner?identifier=s-118"), get("Practitioner/lark"), put(practitioner(id="lark")))
    assert told[0]["resource"]["total"] == 1
    assert told[1]["resource"]["id"] == "lark"
    assert told[1]["response"] == {"status": "200 OK", "etag": 'W/"1"'}


def test_row_53_a_read_within_a_transaction_sees_codes_that_are_new_with_it(client):
    told = run(client, post(patient(), "ivy"), post(pressure(urn("ivy"))), get("Observation?code=rr-dia"))
    assert told[2]["resource"]["total"] == 1
    assert client.get("/fhir/Observation?code=rr-dia").json()["total"] == 1


def test_row_53_a_transaction_that_fails_leaves_no_code_behind(client):
    send(client, "POST", "", bundle(post(patient(), "ivy"), post(pressure(urn("ivy"))), get("Patient/nobody")))
    assert client.get("/fhir/Observation?code=rr-dia").json()["total"] == 0
    run(client, post(patient(), "ivy"), post(pressure(urn("ivy"))))
    assert client.get("/fhir/Observation?code=rr-dia").json()["total"] == 1


@pytest.mark.parametrize(
    "twice",
    [
        lambda: (put(practitioner(id="x")), put(practitioner(id="x", active=True))),
        lambda: (put(practitioner(id="x")), put(practitioner(), "Practitioner?identifier=s-118")),
    ],
)
def test_row_53_the_same_identity_twice_fails(client, twice):
    send(client, "PUT", "Practitioner/x", practitioner(id="x"))
    issues_of(send(client, "POST", "", bundle(*twice())), 400)
    assert client.get("/fhir/Practitioner/x").headers["etag"] == 'W/"1"'


def test_two_new_patients_with_one_identifier_fail(client):
    issues_of(send(client, "POST", "", bundle(post(patient(), "a"), post(patient(active=True), "b"))), 409)
    assert stored(client, "Patient") == []


def test_row_21_a_deletion_fails_the_whole(client):
    send(client, "PUT", "Practitioner/x", practitioner(id="x"))
    entries = bundle(post(organization()), get("Practitioner/x", "DELETE"))
    issues_of(send(client, "POST", "", entries), 405)
    assert stored(client, "Organization") == []
    assert len(stored(client, "Practitioner")) == 1


def test_what_the_projection_owns_fails_the_whole(client):
    chart_course(client, installation(), check())
    owned = stored(client, "Observation")[0]
    plan = stored(client, "CarePlan")[0]
    for entry in (put(owned), put(plan)):
        issues_of(send(client, "POST", "", bundle(post(organization()), entry)), 405)
    assert stored(client, "Organization") == []


@pytest.mark.parametrize("kind", ["transaction", "batch"])
@pytest.mark.parametrize(
    "body",
    [
        {"resourceType": "Patient"},
        {"resourceType": "Bundle", "type": "collection"},
        {"resourceType": "Bundle"},
    ],
)
def test_what_is_no_transaction_and_no_batch_is_400(client, body, kind):
    issues_of(send(client, "POST", "", body), 400)


@pytest.mark.parametrize("path", ["", "/"])
def test_an_empty_transaction_is_answered_with_an_empty_response(client, path):
    answer = client.post(f"/fhir{path}", json={"resourceType": "Bundle", "type": "transaction"})
    assert (answer.status_code, answer.json()["type"]) == (200, "transaction-response")


@pytest.mark.parametrize(
    "entry",
    [
        {"resource": practitioner()},
        {"resource": practitioner(), "request": {"method": "POST"}},
        {"resource": practitioner(), "request": {"method": "POST", "url": "Patient"}},
        {"resource": practitioner(), "request": {"method": "POST", "url": "Practitioner/x"}},
        {"resource": practitioner(id="x"), "request": {"method": "PUT", "url": "Practitioner"}},
        {"request": {"method": "POST", "url": "Practitioner"}},
    ],
)
def test_an_entry_that_asks_for_nothing_that_can_be_done_is_400(client, entry):
    issues_of(send(client, "POST", "", bundle(entry)), 400)


# Row 54


def test_row_54_links_to_other_entries_are_rewritten_everywhere_but_in_canonicals(client):
    me = urn("ivy")
    extension = "https://alder-bay.example/extension"
    sent = pressure(
        me,
        text={
            "status": "generated",
            "div": f'<div xmlns="http://www.w3.org/1999/xhtml"><a href="{me}">i</a><img src="{me}" alt="i"/></div>',
        },
        extension=[
            {"url": extension, "valueReference": {"reference": me}},
            {"url": extension, "valueUri": me},
            {"url": extension, "valueUrl": me},
            {"url": extension, "valueUuid": me},
            {"url": extension, "valueCanonical": me},
            {"url": extension, "valueString": me},
            {"url": extension, "extension": [{"url": extension, "valueReference": {"reference": me}}]},
        ],
        note=[{"authorReference": {"reference": me}, "text": me}],
        focus=[{"reference": me}],
        component=[{"code": {"text": "c"}, "extension": [{"url": extension, "valueUri": me}]}],
        contained=[{"resourceType": "Device", "id": "d", "patient": {"reference": me}}],
        device={"reference": "#d"},
    )
    sent["identifier"].append({"system": "urn:ietf:rfc:3986", "value": me})
    made, ivy = run(client, post(sent, "bp"), post(patient(), "ivy"))
    new = f"Patient/{ivy['resource']['id']}"
    expected = wire.write(sent).replace(me.encode(), new.encode())
    kept = [
        (f'"valueUuid":"{new}"', f'"valueUuid":"urn:uuid:{ivy["resource"]["id"]}"'),  # Type/id is no uuid
        # text and canonical elements, and the value of an identifier, are no links
        (f'"valueCanonical":"{new}"', f'"valueCanonical":"{me}"'),
        (f'"valueString":"{new}"', f'"valueString":"{me}"'),
        (f'"text":"{new}"', f'"text":"{me}"'),
        (f'"value":"{new}"', f'"value":"{me}"'),
    ]
    for wrong, right in kept:
        expected = expected.replace(wrong.encode(), right.encode())
    stored_ = {key: value for key, value in made["resource"].items() if key not in ("id", "meta")}
    assert wire.write(stored_) == expected


def test_row_54_a_full_url_of_another_server_is_rewritten_with_what_is_relative_to_it(client):
    ivy = post(patient()) | {"fullUrl": "https://ehr.alder-bay.example/fhir/Patient/12"}
    near = post(pressure("Patient/12", "a")) | {"fullUrl": "https://ehr.alder-bay.example/fhir/Observation/1"}
    far = post(pressure("https://ehr.alder-bay.example/fhir/Patient/12", "b"), "b")
    first, *others = run(client, ivy, near, far)
    for each in others:
        assert each["resource"]["subject"]["reference"] == f"Patient/{first['resource']['id']}"


def test_row_54_a_link_to_an_update_is_rewritten_too(client):
    entries = [
        post(pressure(urn("ivy"))),
        put(patient(id="ivy"), name="ivy"),
        put(practitioner(), "Practitioner?identifier=s-118", name="lark"),
    ]
    entries[0]["resource"]["performer"] = [{"reference": urn("lark")}]
    made, _, lark = run(client, *entries)
    assert made["resource"]["subject"]["reference"] == "Patient/ivy"
    assert made["resource"]["performer"][0]["reference"] == f"Practitioner/{lark['resource']['id']}"


def test_row_54_a_link_to_no_entry_fails(client):
    issues_of(send(client, "POST", "", bundle(post(pressure(urn("nobody"))))), 422)
    issues_of(send(client, "POST", "Observation", pressure(urn("nobody"))), 422)


# Row 55


def test_row_55_a_conditional_reference_is_answered_by_what_is_here_or_comes_along(client):
    chart_course(client)
    by_whom = "Practitioner?identifier=s-118"
    told = run(
        client,
        post(pressure(f"Patient?identifier={MRN}|AB-1", "known")),
        post(pressure(f"Patient?identifier={MRN}|AB-2", "new", performer=[{"reference": by_whom}])),
        post(patient("AB-2"), "two"),
        post(practitioner()),
    )
    assert told[0]["resource"]["subject"]["reference"] == f"Patient/{_id_of(client, 'AB-1')}"
    assert told[1]["resource"]["subject"]["reference"] == f"Patient/{told[2]['resource']['id']}"
    assert told[1]["resource"]["performer"][0]["reference"] == f"Practitioner/{told[3]['resource']['id']}"


def test_row_55_a_chain_of_conditional_references_is_answered(client):
    told = run(
        client,
        post(pressure(f"Patient?identifier={MRN}|AB-1", encounter={"reference": "Encounter?identifier=stay-1"})),
        post(encounter(f"Patient?identifier={MRN}|AB-1")),
        post(patient()),
    )
    assert told[0]["resource"]["encounter"]["reference"] == f"Encounter/{told[1]['resource']['id']}"


@pytest.mark.parametrize(("known", "status"), [(0, 412), (2, 412)])
def test_row_55_none_or_several_answers_fail_the_whole(client, known, status):
    for _ in range(known):
        send(client, "POST", "Practitioner", practitioner("s-9"))
    wrong = pressure(urn("ivy"), performer=[{"reference": f"Practitioner?identifier={STAFF}|s-9"}])
    issues = issues_of(send(client, "POST", "", bundle(post(patient(), "ivy"), post(wrong))), status)
    assert issues[0]["expression"] == ["Bundle.entry[1].resource.performer[0].reference"]
    assert stored(client, "Patient") == []


def test_row_55_an_answer_that_another_entry_makes_ambiguous_fails_whatever_the_order(client):
    send(client, "POST", "Practitioner", practitioner("s-9"))
    wrong = post(pressure(urn("ivy"), performer=[{"reference": "Practitioner?identifier=s-9"}]))
    entries = [post(patient(), "ivy"), wrong, post(practitioner("s-9"))]
    for order in itertools.permutations(entries):
        issues_of(send(client, "POST", "", bundle(*order)), 412)


def test_row_55_a_reference_under_a_condition_that_cannot_be_served_fails(client):
    wrong = post(pressure("Patient?identifer=AB-1"))
    issues_of(send(client, "POST", "", bundle(wrong)), 400)


# Row 56


@pytest.mark.parametrize("leading", ["", "Practitioner?"])
def test_row_56_a_condition_counts_with_and_without_its_type(client, leading):
    condition = f"{leading}identifier={STAFF}|s-118"
    made = run(client, post(practitioner(), ifNoneExist=condition))
    again = run(client, post(practitioner(), ifNoneExist=condition))
    assert (made[0]["response"]["status"], again[0]["response"]["status"]) == ("201 Created", "200 OK")
    assert made[0]["response"]["location"] == again[0]["response"]["location"]


@pytest.mark.parametrize("known", [False, True])
def test_row_56_two_entries_that_mean_one_row_both_map_to_it(client, known):
    condition = f"identifier={STAFF}|s-118"
    if known:
        send(client, "POST", "Practitioner", practitioner())
    two = [pressure(urn("ivy"), str(n), performer=[{"reference": urn(f"lark-{n}")}]) for n in (1, 2)]
    told = run(
        client,
        post(patient(), "ivy"),
        post(practitioner(), "lark-1", ifNoneExist=condition),
        post(practitioner(), "lark-2", ifNoneExist=f"Practitioner?{condition}"),
        *(post(each) for each in two),
    )
    assert len(stored(client, "Practitioner")) == 1
    assert told[1]["response"]["location"] == told[2]["response"]["location"]
    assert "fullUrl" not in told[2]  # bdl-7: a fullUrl stands once in a Bundle
    assert told[3]["resource"]["performer"] == told[4]["resource"]["performer"]


def test_row_56_two_entries_that_would_make_one_row_and_differ_fail(client):
    entries = [post(practitioner(active=each), ifNoneExist="identifier=s-118") for each in (True, False)]
    for order in itertools.permutations(entries):
        issues_of(send(client, "POST", "", bundle(*order)), 400)
    assert stored(client, "Practitioner") == []


def test_a_transaction_sent_twice_with_conditions_stores_once(client):
    entries = ward()
    for entry in entries:
        identifier = entry["resource"]["identifier"][0]
        entry["request"]["ifNoneExist"] = f"identifier={identifier['system']}|{identifier['value']}"
    run(client, *entries)
    before = everything(client)
    assert {each["response"]["status"] for each in run(client, *entries)} == {"200 OK"}
    assert everything(client) == before


def test_prefer_is_held_to_in_the_answer(client):
    (made,) = run(client, post(practitioner()), Prefer="return=minimal")
    assert "resource" not in made
    (made,) = run(client, post(practitioner()), Prefer="return=OperationOutcome")
    assert made["response"]["outcome"]["resourceType"] == "OperationOutcome"


def test_a_transaction_may_take_the_place_of_a_charted_patient_and_go_on(client):
    id_ = chart_course(client)
    told = run(client, post(patient(active=True), "ivy"), post(pressure(urn("ivy"))))
    assert told[0]["response"]["status"] == "200 OK"
    assert told[1]["resource"]["subject"]["reference"] == f"Patient/{id_}"
    assert len(stored(client, "Patient")) == 1


# Row 52


def test_row_52_a_batch_is_200_and_each_entry_stands_for_itself(client):
    told = run(
        client,
        post(practitioner(gender="frog")),
        post(practitioner()),
        get("Practitioner/nobody"),
        get("Practitioner?identifier=s-118"),
        get("Practitioner/x", "DELETE"),
        put(practitioner("s-2", id="x")),
        post({"resourceType": "CarePlan"}),
        {"request": {"method": "PATCH", "url": "Practitioner/x"}},
        get("Spoon/1"),
        get("metadata"),
        {"resource": practitioner()},
        get("Practitioner/x", ifNoneMatch='W/"1"'),
        kind="batch",
    )
    statuses = [each["response"]["status"].partition(" ")[0] for each in told]
    assert statuses == ["422", "201", "404", "200", "405", "201", "405", "405", "404", "200", "400", "304"]
    for each, status in zip(told, statuses, strict=True):
        assert ("outcome" in each["response"]) == (int(status) >= 400)
    assert told[0]["response"]["outcome"]["issue"][0]["expression"][0].startswith("Bundle.entry[0].resource")
    assert told[3]["resource"]["total"] == 1  # reads come after writes
    assert len(stored(client, "Practitioner")) == 2


def test_row_52_the_entries_of_a_batch_do_not_refer_to_one_another(client):
    told = run(client, post(patient(), "ivy"), post(pressure(urn("ivy"))), kind="batch")
    assert [each["response"]["status"][:3] for each in told] == ["201", "422"]


def test_reads_in_a_batch_answer_as_they_do_alone(client):
    chart_course(client, installation(), check())
    asked = [
        "Observation?code=gap-width&_count=2&_sort=-date",
        f"{BASE}/Patient?identifier={MRN}|AB-1",
        "Questionnaire/closure-check",
        "Observation?nonsense=1",
    ]
    told = run(client, *(get(url) for url in asked), kind="batch")
    for url, each in zip(asked, told, strict=True):
        alone = client.get(f"/fhir/{url.removeprefix(f'{BASE}/')}")
        assert each["resource"] == wire.read(alone.content)


def _id_of(client, value):
    return client.get(f"/fhir/Patient?identifier={MRN}|{value}").json()["entry"][0]["resource"]["id"]
