"""The forms and what becomes of their answers: the same as of the JSON intake, fault by fault."""

from decimal import Decimal

import fhir.resources.R4B.questionnaire
import fhir.resources.R4B.questionnaireresponse
import fhirpathpy
import pytest
from fhirpathpy.models import models
from starlette.testclient import TestClient

from service import strict_json
from service.api.app import create_app
from service.config import Settings
from service.fhir import wire
from service.fhir.validate import check as issues_in
from service.intake.members import RECORDS
from service.intake.models import model_of
from service.terminology import load
from tests.api.fhir_writing import MRN, STAFF, TAG, chart_course, issues_of, practitioner, send, stored
from tests.intake.documents import NOW, PERFORMER, check, course_file, entry, installation, reset
from tests.signing_in import LOOPBACK

CANONICAL = "https://closure-readings.example/fhir/Questionnaire"
TERMS = load()
FULL = {
    "device_status": "dislodged",
    "gaps": [{"station_mm": 40, "gap_mm": Decimal("35.50")}, {"station_mm": Decimal("80.0"), "gap_mm": 49}],
    "bands": [{"band": 1, "mark_mm": Decimal("15.5")}, {"band": 2, "mark_mm": Decimal("16.50"), "tail_mm": 85}],
    "dressing": {"changed": True, "covers_anchors": False, "placed": 1, "removed": 0, "smallest_side_mm": 80},
    "next_dressing_change_at": "2026-03-03T20:00:00+01:00",
    "vacuum_therapy_in_use": False,
    "skin": ["blanching", "blister"],
    "pain_0_10": 0,
    "compartment_pressure_mmhg": Decimal("21.5"),
    "diastolic_pressure_mmhg": 70,
    "mobilised": True,
    "devices_present": {"anchors": 34, "bands": 3},
    "note": "swelling <down>\nsince noon",
}
ASLEEP = {"gaps_not_measured": "asleep", "bands_not_read": "asleep"}
KEYS = {"check": "closure-check", "reset": "band-reset", "installation": "band-application"}
VALUES = {
    "string": "valueString",
    "text": "valueString",
    "integer": "valueInteger",
    "decimal": "valueDecimal",
    "boolean": "valueBoolean",
    "dateTime": "valueDateTime",
}


def form(entry_, course_id="alder-1", **more):
    """An entry of the intake as an EHR would send it from the form: written here from the table's linkIds."""
    key = KEYS[entry_["kind"]]
    items = _items(TERMS.forms[key].items, entry_)
    if course_id:
        items.insert(0, {"linkId": "course_id", "answer": [{"valueString": course_id}]})
    return {
        "resourceType": "QuestionnaireResponse",
        "identifier": {"system": "https://alder-bay.example/forms", "value": entry_["entry_id"]},
        "questionnaire": f"{CANONICAL}/{key}|1.0.0",
        "status": "completed",
        "authored": entry_["at"],
        "author": {"identifier": entry_["performer"]["identifier"]},
        "item": items,
    } | more


def _items(questions, said):
    built = []
    for question in questions:
        value = said.get(question.member) if question.member else None
        if value is None or question.link_id == "at":
            continue
        rows = value if isinstance(value, list) else [value]
        if question.type == "group":
            built += [{"linkId": question.link_id, "item": _items(question.items, row)} for row in rows]
        else:
            built.append({"linkId": question.link_id, "answer": [_answer(question, row) for row in rows]})
    return built


def _answer(question, value):
    if question.type == "choice":
        concept = dict(question.options)[value]
        return {"valueCoding": TERMS.concept(concept)["coding"][0]}
    return {VALUES[question.type]: value}


def item(response, link_id, place=0):
    """An item of a response by its linkId."""
    found = [each for each in response["item"] if each["linkId"] == link_id]
    return found[place]


def submit(client, response, **headers):
    return send(client, "POST", "QuestionnaireResponse", response, **headers)


@pytest.fixture
def ward(client):
    chart_course(client)
    return client


# The forms


def test_the_forms_are_sound_for_two_judges():
    from service.fhir.build.questionnaire import questionnaires

    built = questionnaires(TERMS)
    assert [each["id"] for each in built] == ["closure-check", "band-reset", "band-application"]
    for each in built:
        assert issues_in(each) == []
        fhir.resources.R4B.questionnaire.Questionnaire.model_validate_json(wire.write(each))


def test_a_form_is_read_by_its_id_and_found_by_its_url(client):
    one = client.get("/fhir/Questionnaire/closure-check").json()
    assert one["url"] == f"{CANONICAL}/closure-check"
    found = client.get(f"/fhir/Questionnaire?url={CANONICAL}/closure-check").json()
    assert [each["resource"]["id"] for each in found["entry"]] == ["closure-check"]
    issues_of(send(client, "PUT", "Questionnaire/closure-check", one), 405)


@pytest.mark.parametrize("kind", KEYS)
def test_a_form_asks_for_every_name_of_the_contract_and_for_no_other(kind):
    def names(model):
        nested = {}
        for name, member in model.model_fields.items():
            inner = next((each for each in _models(member.annotation)), None)
            nested[name] = names(inner) if inner and name not in ("performer",) else None
        return nested

    def asked(questions):
        return {each.member: asked(each.items) if each.items else None for each in questions if each.member}

    expected = names(model_of(RECORDS[kind]))
    for elsewhere in ("kind", "entry_id", "performer"):  # told by the form, its identifier and its author
        del expected[elsewhere]
    assert asked(TERMS.forms[KEYS[kind]].items) == expected


def _models(annotation):
    if hasattr(annotation, "model_fields"):
        yield annotation
    for each in getattr(annotation, "__args__", ()):
        yield from _models(each)


def test_a_choice_offers_every_word_of_the_contract():
    options = {each.member: [value for value, _ in each.options] for each in TERMS.forms["closure-check"].items}
    assert options["skin"] == [
        "intact", "blanching", "blister", "erosion", "anchor-pull-through", "necrosis", "infection-signs",
    ]  # fmt: skip
    assert options["device_status"] == ["in-place", "partly-in-place", "dislodged", "removed"]


def test_the_link_ids_stay():
    # Forms that were handed out hold these; whoever changes one breaks them.
    def listed(questions):
        return [each.link_id for one in questions for each in (one, *_all(one.items))]

    def _all(questions):
        return [each for one in questions for each in (one, *_all(one.items))]

    assert listed(TERMS.forms["closure-check"].items) == [
        "course_id", "at", "device_status", "gaps", "gaps.station_mm", "gaps.gap_mm", "gaps_not_measured", "bands",
        "bands.band", "bands.mark_mm", "bands.tail_mm", "bands_not_read", "dressing", "dressing.changed",
        "dressing.covers_anchors", "dressing.placed", "dressing.removed", "dressing.smallest_side_mm",
        "next_dressing_change_at", "vacuum_therapy_in_use", "skin", "pain_0_10", "compartment_pressure_mmhg",
        "diastolic_pressure_mmhg", "mobilised", "devices_present", "devices_present.anchors", "devices_present.bands",
        "note",
    ]  # fmt: skip


# The same check by both ways


def projected(client):
    """Every resource but who brought it about, as bytes by reference."""
    types = [row["type"] for row in client.get("/fhir/metadata").json()["rest"][0]["resource"]]
    left_out = {"Provenance", "QuestionnaireResponse", "Questionnaire"}
    found = {}
    for type_ in types:
        if type_ in left_out:
            continue
        for each in stored(client, type_):
            found[f"{type_}/{each['id']}"] = {**each, "meta": {**each["meta"], "lastUpdated": ""}}
    return found


@pytest.mark.parametrize(
    "charted",
    [
        check("ch-1", **FULL),
        check("ch-1"),
        entry("check", "ch-1", "2026-03-02T20:00:00Z", device_status="in-place", **ASLEEP),
        reset("re-1", bands=[{"band": 1, "mark_mm_before": 15, "mark_mm_after": Decimal("18.00"), "tail_mm": 79}]),
        installation("in-2", "2026-03-03T11:00:00+01:00", undermined_mm=Decimal("5.0")),
    ],
    ids=["full check", "check", "check without readings", "reset", "second installation"],
)  # fmt: skip
def test_the_same_entry_by_form_and_by_json_gives_the_same_resources(tmp_path, charted):
    found = []
    for way in ("json", "form"):
        settings = Settings(database_url=f"sqlite:///{tmp_path}/{way}.sqlite3", zone="Europe/Vienna")
        with TestClient(create_app(settings, clock=lambda: NOW), base_url=LOOPBACK) as client:
            chart_course(client)
            if way == "json":
                body = strict_json.write(charted)
                headers = {"Content-Type": "application/json"}
                answer = client.post("/intake/courses/alder-1/entries", content=body, headers=headers)
            else:
                response = form(charted)
                fhir.resources.R4B.questionnaireresponse.QuestionnaireResponse.model_validate_json(wire.write(response))
                answer = submit(client, response)
            assert answer.status_code == 201, answer.text
            entries = strict_json.canonical(strict_json.read(client.get("/intake/courses/alder-1").content)["entries"])
            found.append((projected(client), entries))
    assert found[0] == found[1]


def test_the_response_is_kept_as_it_was_sent_and_found_by_patient_and_identifier(ward):
    response = form(check(**FULL))
    answer = submit(ward, response)
    made = wire.read(answer.content)
    assert {key: value for key, value in made.items() if key not in ("id", "meta")} == response
    assert TAG in made["meta"]["tag"]
    patient_id = stored(ward, "Patient")[0]["id"]
    assert ward.get("/fhir/QuestionnaireResponse?identifier=ch-1").json()["total"] == 1
    with_subject = form(check("ch-2", "2026-03-02T22:00:00+01:00"), subject={"reference": f"Patient/{patient_id}"})
    assert submit(ward, with_subject).status_code == 201
    assert ward.get(f"/fhir/QuestionnaireResponse?patient={patient_id}").json()["total"] == 2
    issues_of(send(ward, "PUT", f"QuestionnaireResponse/{made['id']}", made), 405)


def test_the_same_answers_again_change_nothing(ward):
    first = submit(ward, form(check()))
    before = projected(ward)
    again = submit(ward, form(check()))
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.content == first.content
    assert projected(ward) == before
    assert len(stored(ward, "QuestionnaireResponse")) == 1
    assert len(ward.get("/intake/courses/alder-1").json()["entries"]) == 2


def test_other_answers_under_the_same_identifier_are_a_conflict(ward):
    submit(ward, form(check()))
    before = projected(ward)
    issues = issues_of(submit(ward, form(check(pain_0_10=3))), 409)
    assert (issues[0]["code"], issues[0]["expression"]) == ("conflict", ["QuestionnaireResponse.identifier"])
    assert projected(ward) == before


def test_an_entry_that_was_charted_by_json_is_recognised(ward):
    body = strict_json.write(check())
    ward.post("/intake/courses/alder-1/entries", content=body, headers={"Content-Type": "application/json"})
    before = projected(ward)
    assert submit(ward, form(check())).status_code == 201  # the response is new, the reading is not
    assert projected(ward) == before


@pytest.mark.parametrize("value", [None, "form 7/2026"])
def test_without_an_identifier_fit_for_an_entry_a_digest_names_it(ward, value):
    response = form(check())
    if value is None:
        del response["identifier"]
    else:
        response["identifier"]["value"] = value
    assert submit(ward, response).status_code == 201
    assert submit(ward, response).status_code == 200
    entry_id = ward.get("/intake/courses/alder-1").json()["entries"][-1]["entry_id"]
    assert entry_id.startswith("form-")
    item(response, "device_status")["answer"] = [{"valueCoding": TERMS.concept("removed")["coding"][0]}]
    assert submit(ward, response).status_code == (201 if value is None else 409)


# Which course, who, when


def test_the_course_is_told_by_the_care_plan_too(ward):
    plan = stored(ward, "CarePlan")[0]
    for number, based_on in enumerate(({"reference": f"CarePlan/{plan['id']}"}, {"identifier": plan["identifier"][0]})):
        charted = check(f"ch-{number}", f"2026-03-02T2{number}:00:00+01:00")
        assert submit(ward, form(charted, course_id=None, basedOn=[based_on])).status_code == 201
    assert len(ward.get("/intake/courses/alder-1").json()["entries"]) == 3


def test_a_course_that_is_not_named_or_unknown_or_another_is_refused(ward):
    other = strict_json.write(course_file(installation(), course_id="alder-2"))
    ward.post("/intake/courses", content=other, headers={"Content-Type": "application/json"})
    plans = {each["identifier"][0]["value"]: each["id"] for each in stored(ward, "CarePlan")}
    based_on = [{"reference": f"CarePlan/{plans['alder-2/plan']}"}]
    assert issues_of(submit(ward, form(check(), course_id=None)), 422)[0]["code"] == "required"
    issues_of(submit(ward, form(check(), course_id="nowhere")), 422)
    issues = issues_of(submit(ward, form(check(), basedOn=based_on)), 422)
    assert issues[0]["expression"] == ["QuestionnaireResponse.item[0].answer[0].value"]


def test_a_form_about_another_patient_is_refused(ward):
    send(ward, "PUT", "Patient/other", {"resourceType": "Patient", "id": "other"})
    own = {"identifier": {"system": MRN, "value": "AB-1"}}
    for subject in (
        {"reference": "Patient/other"},
        {"identifier": {"system": MRN, "value": "AB-2"}},
        {"display": "Ivy"},
    ):
        issues = issues_of(submit(ward, form(check(), subject=subject)), 422)
        assert "QuestionnaireResponse.subject" in {each["expression"][0] for each in issues}
    assert len(ward.get("/intake/courses/alder-1").json()["entries"]) == 1
    assert submit(ward, form(check(), subject=own)).status_code == 201


def test_the_author_may_be_a_practitioner_who_is_here(ward):
    send(ward, "PUT", "Practitioner/lark", practitioner(id="lark"))
    author = {"reference": "Practitioner/lark", "display": "Lark"}
    assert submit(ward, form(check(), author=author)).status_code == 201
    charted = ward.get("/intake/courses/alder-1").json()["entries"][-1]
    assert charted["performer"] == {"identifier": {"system": STAFF, "value": "s-118"}, "display": "Lark"}


def test_the_time_of_an_answer_goes_before_the_time_of_the_form(ward):
    response = form(check(), authored="2026-03-02T23:00:00+01:00")
    response["item"].append({"linkId": "at", "answer": [{"valueDateTime": "2026-03-02T20:00:00+01:00"}]})
    assert submit(ward, response).status_code == 201
    assert ward.get("/intake/courses/alder-1").json()["entries"][-1]["at"] == "2026-03-02T20:00:00+01:00"


# Faults


def test_every_fault_is_named_by_the_answer_it_lies_in(ward):
    charted = check(pain_0_10=11, skin=["intact", "blister"], next_dressing_change_at="2026-03-01T20:00:00+01:00")
    charted["gaps"].append({"station_mm": 170, "gap_mm": 410})
    charted["bands"][1]["band"] = 9
    response = form(charted)
    found = {each["expression"][0]: each["diagnostics"] for each in issues_of(submit(ward, response), 422)}
    assert len(found) == 6
    seen = set()
    for expression in found:  # each leads, for a FHIRPath engine of others, to one value of the response
        (value,) = fhirpathpy.evaluate(_plain(response), expression, None, models["r4"])
        seen.add(value["code"] if isinstance(value, dict) else value)
    assert seen == {11, "skin-intact", "2026-03-01T20:00:00+01:00", 170, 410, 9}
    assert len(ward.get("/intake/courses/alder-1").json()["entries"]) == 1
    assert stored(ward, "QuestionnaireResponse") == []


def _plain(response):
    return strict_json.orjson.loads(wire.write(response))


def test_the_faults_are_those_of_the_json_intake(ward):
    charted = check(pain_0_10=11, device_status=..., gaps=[{"station_mm": 170}])
    body = strict_json.write(charted)
    refused = ward.post("/intake/courses/alder-1/entries", content=body, headers={"Content-Type": "application/json"})
    by_json = sorted(fault["detail"] for fault in refused.json()["errors"])
    by_form = sorted(issue["diagnostics"] for issue in issues_of(submit(ward, form(charted)), 422))
    assert by_form == by_json


def test_what_is_missing_is_named_by_its_item(ward):
    charted = check(gaps=[{"station_mm": 40}], device_status=...)
    response = form(charted)
    del response["author"]
    found = {each["expression"][0] for each in issues_of(submit(ward, response), 422)}
    gaps = next(place for place, each in enumerate(response["item"]) if each["linkId"] == "gaps")
    assert found == {
        "QuestionnaireResponse.item.where(linkId='device_status')",
        f"QuestionnaireResponse.item[{gaps}].item.where(linkId='gaps.gap_mm')",
        "QuestionnaireResponse.author",
    }


@pytest.mark.parametrize(
    ("spoil", "expression"),
    [
        (lambda r: r.update(status="in-progress"), "QuestionnaireResponse.status"),
        (lambda r: r.update(status="amended"), "QuestionnaireResponse.status"),
        (lambda r: r.update(questionnaire="https://elsewhere.example/q"), "QuestionnaireResponse.questionnaire"),
        (lambda r: r.pop("questionnaire"), "QuestionnaireResponse.questionnaire"),
        (lambda r: r["item"].append({"linkId": "nonsense"}), "QuestionnaireResponse.item[6].linkId"),
        (lambda r: r["item"].append({"linkId": "gaps.gap_mm"}), "QuestionnaireResponse.item[6].linkId"),
        (lambda r: r["item"].append(item(r, "device_status")), "QuestionnaireResponse.item[6]"),
        (
            lambda r: r["item"].append({"linkId": "pain_0_10", "answer": [{"valueInteger": 1}, {"valueInteger": 2}]}),
            "QuestionnaireResponse.item[6]",
        ),
        (
            lambda r: r["item"].append({"linkId": "pain_0_10", "answer": [{"valueString": "3"}]}),
            "QuestionnaireResponse.item[6].answer[0].value",
        ),
        (
            lambda r: item(r, "device_status")["answer"][0].update(valueCoding={"system": "urn:x", "code": "in-place"}),
            "QuestionnaireResponse.item[1].answer[0].value",
        ),
        (
            lambda r: r["item"].append({"linkId": "mobilised", "answer": [{"valueInteger": 1}]}),
            "QuestionnaireResponse.item[6].answer[0].value",
        ),
    ],
)
def test_what_has_no_place_in_an_entry_is_named(ward, spoil, expression):
    response = form(check())
    assert len(response["item"]) == 6
    spoil(response)
    issues = issues_of(submit(ward, response), 422)
    assert [each["expression"][0] for each in issues] == [expression]
    assert len(ward.get("/intake/courses/alder-1").json()["entries"]) == 1


def test_a_refused_form_tells_nothing_of_its_answers(ward):
    response = form(check(note="Ødegård", pain_0_10=11))
    response["item"].append({"linkId": "nonsense", "answer": [{"valueString": "Ødegård"}]})
    assert "Ødegård" not in submit(ward, response).text


# In a transaction


def test_forms_may_come_in_a_transaction_in_any_order(ward):
    first, second = check("ch-1"), reset("re-1")
    rows = [form(second), form(first), practitioner()]
    rows[0]["author"] = {"reference": "urn:uuid:0d1b1c1e-7a53-4f8e-8f0a-5a1c2b3d4e5f"}
    entries = [{"resource": row, "request": {"method": "POST", "url": row["resourceType"]}} for row in rows]
    entries[2]["fullUrl"] = "urn:uuid:0d1b1c1e-7a53-4f8e-8f0a-5a1c2b3d4e5f"
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
    answer = send(ward, "POST", "", bundle)
    assert [each["response"]["status"] for each in answer.json()["entry"]] == ["201 Created"] * 3
    charted = ward.get("/intake/courses/alder-1").json()["entries"]
    assert {each["entry_id"]: each["performer"] for each in charted}["re-1"] == PERFORMER
    assert len(charted) == 3
    again = send(ward, "POST", "", {**bundle, "entry": entries[1:2]})
    assert again.json()["entry"][0]["response"]["status"] == "200 OK"


def test_a_form_that_is_refused_fails_the_transaction(ward):
    rows = [practitioner(), form(check(pain_0_10=11)), form(check("ch-2", pain_0_10=12))]
    entries = [{"resource": row, "request": {"method": "POST", "url": row["resourceType"]}} for row in rows]
    issues = issues_of(send(ward, "POST", "", {"resourceType": "Bundle", "type": "transaction", "entry": entries}), 422)
    assert {each["expression"][0].partition(".item")[0] for each in issues} == {
        "Bundle.entry[1].resource",
        "Bundle.entry[2].resource",
    }
    assert stored(ward, "Practitioner") == []


def test_a_form_may_be_created_under_a_condition(ward):
    condition = "identifier=https://alder-bay.example/forms|ch-1"
    assert submit(ward, form(check()), If_None_Exist=condition).status_code == 201
    assert submit(ward, form(check()), If_None_Exist=condition).status_code == 200
    assert len(ward.get("/intake/courses/alder-1").json()["entries"]) == 2
