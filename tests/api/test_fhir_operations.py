"""Rows 60 to 62 over HTTP: `$validate`, `$everything`, `$lastn`, and `$translate` for the published map.

Sources: http://hl7.org/fhir/R4/resource-operation-validate.html, patient-operation-everything.html,
observation-operation-lastn.html, conceptmap-operation-translate.html, operations.html.
"""

from datetime import timedelta
from urllib.parse import quote

import pytest

from service.fhir.validate import check_bytes
from service.search.parameters import parameters
from tests.api.whole_side import BASE, NOW, all_pages, issues, links, resources, whole_side

BASE_DEFINITION = "http://hl7.org/fhir/StructureDefinition/"


@pytest.fixture(scope="module")
def side(tmp_path_factory):
    with whole_side(tmp_path_factory.mktemp("operations"), "02", "03") as whole:
        yield whole


@pytest.fixture(scope="module")
def patient(side):
    """Of the patient with most on record."""
    ids = [one["id"] for one in resources(side.get("Patient").json())]
    return max(ids, key=lambda id_: side.get(f"Observation?patient={id_}&_summary=count").json()["total"])


@pytest.fixture(scope="module")
def profile(side):
    rows = side.get("metadata").json()["rest"][0]["resource"]
    return next(url for row in rows if row["type"] == "Observation" for url in row["supportedProfile"] if "gap" in url)


# Row 60: $validate

GOOD = {
    "resourceType": "Observation",
    "text": {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">Pain 3</div>'},
    "status": "final",
    "code": {"text": "Pain"},
    "subject": {"reference": "Patient/p1"},
    "effectiveDateTime": "2026-03-02T11:05:00+01:00",
    "performer": [{"display": "R. Okafor"}],
    "valueInteger": 3,
}
BAD = {"resourceType": "Observation", "status": "done", "effectiveDateTime": "2026-02-30", "valueString": ""}


def errors(answer):
    return {tuple(issue.get("expression", ())) for issue in issues(answer) if issue["severity"] == "error"}


def test_row_60_a_sound_resource_is_answered_with_one_issue_that_says_so(side):
    answer = side.post("Observation/$validate", GOOD)
    assert answer.status_code == 200
    assert [(one["severity"], one["code"]) for one in issues(answer)] == [("information", "informational")]


def test_row_60_an_unsound_resource_is_answered_200_with_every_issue_and_its_place(side):
    answer = side.post("Observation/$validate", BAD)
    assert answer.status_code == 200
    assert {
        ("Observation.status",),
        ("Observation.code",),
        ("Observation.effectiveDateTime",),
        ("Observation.valueString",),
    } <= errors(answer)
    assert check_bytes(answer.content) == []


def test_row_60_a_parameters_resource_may_carry_resource_mode_and_profile(side, profile):
    def asked(resource, **codes):
        extra = [{"name": name, **value} for name, value in codes.items()]
        body = {"resourceType": "Parameters", "parameter": [{"name": "resource", "resource": resource}, *extra]}
        return side.post("Observation/$validate", body)

    assert errors(asked(GOOD)) == set()
    assert errors(asked(BAD)) == errors(side.post("Observation/$validate", BAD))
    held = asked(GOOD, profile={"valueUri": profile})
    assert held.status_code == 200
    assert ("Observation.identifier",) in errors(held)
    by_url = side.post(f"Observation/$validate?profile={quote(profile)}", GOOD)
    assert errors(by_url) == errors(held)
    versioned = side.post(f"Observation/$validate?profile={quote(profile + '|1.0.0')}", GOOD)
    assert errors(versioned) == errors(held)


def test_row_60_a_stored_resource_can_be_validated_where_it_lies_and_keeps_its_profile(side, patient, profile):
    stored = resources(side.get(f"Observation?patient={patient}&_count=40").json())
    (found,) = [one for one in stored if one["meta"]["profile"] == [profile]][:1]
    answer = side.get(f"Observation/{found['id']}/$validate?profile={quote(profile)}")
    assert (answer.status_code, errors(answer)) == (200, set())
    broken = {key: value for key, value in found.items() if key != "performer"}
    assert ("Observation.performer",) in errors(side.post(f"Observation/{found['id']}/$validate", broken))


def test_row_60_a_profile_of_another_type_or_of_r4_itself_is_told_apart(side, profile):
    assert errors(side.post(f"Observation/$validate?profile={BASE_DEFINITION}Observation", GOOD)) == set()
    assert errors(side.post(f"Observation/$validate?profile={BASE_DEFINITION}Patient", GOOD)) == {("Observation",)}
    patient = {"resourceType": "Patient"}
    assert errors(side.post(f"Patient/$validate?profile={quote(profile)}", patient))


def test_row_60_where_validation_cannot_be_performed_the_answer_is_an_error(side):
    # The page: a profile that the server cannot validate against SHALL be an error.
    assert side.post("Observation/$validate?profile=https://elsewhere.example/x", GOOD).status_code == 404
    assert side.post("Observation/$validate?mode=guess", GOOD).status_code == 400
    assert side.post("Observation/$validate?mode=update", GOOD).status_code == 400  # of an instance only
    assert side.post("Observation/$validate?mode=delete", GOOD).status_code == 400
    assert side.post("Observation/$validate", b"").status_code == 400
    assert side.post("Observation/$validate", b"{").status_code == 400
    assert side.post("Observation/$validate", b'{"resourceType":"Observation","a":1,"a":2}').status_code == 400
    assert side.post("Observation/$validate", GOOD, "application/fhir+xml").status_code == 415
    assert side.post("Observation/$validate", b'"' + b"x" * 2_000_000 + b'"').status_code == 413
    assert side.post("Medication/$validate", {"resourceType": "Medication"}).status_code == 404
    assert side.get("Observation/nobody/$validate").status_code == 404
    assert side.get("Observation/$validate").status_code in (404, 405)
    body = {"resourceType": "Parameters", "parameter": [{"valueCode": "create"}]}  # a parameter without its name
    assert side.post("Observation/$validate", body).status_code == 400
    assert side.post("Observation/$validate?strange=1", GOOD, prefer="handling=strict").status_code == 400


def test_row_60_another_type_in_the_body_is_an_issue(side):
    assert ("Patient",) in errors(side.post("Observation/$validate", {"resourceType": "Patient"}))


@pytest.mark.parametrize("mode", ["create", "update", "delete"])
@pytest.mark.parametrize("type_", ["Goal", "Patient"])
def test_row_60_a_mode_says_whether_this_server_would_take_it(side, patient, type_, mode):
    found = resources(side.get(f"Patient/{patient}/$everything?_type={type_}").json())[0]
    where = type_ if mode == "create" else f"{type_}/{found['id']}"
    answer = side.post(f"{where}/$validate?mode={mode}", found)
    assert answer.status_code == 200
    rows = {row["type"]: row for row in side.get("metadata").json()["rest"][0]["resource"]}
    claimed = mode in {one["code"] for one in rows[type_]["interaction"]}
    refused = any((one["code"], one["severity"]) == ("not-supported", "error") for one in issues(answer))
    assert refused == (not claimed)


def test_row_60_an_update_under_another_id_is_an_issue(side, patient):
    other = side.get(f"Patient/{patient}").json() | {"id": "someone-else"}
    assert ("Patient.id",) in errors(side.post(f"Patient/{patient}/$validate?mode=update", other))


def test_row_60_an_unknown_profile_that_the_resource_claims_is_said_to_be_unchecked(side):
    claiming = GOOD | {"meta": {"profile": ["https://elsewhere.example/StructureDefinition/x"]}}
    told = [one for one in issues(side.post("Observation/$validate", claiming)) if one["severity"] == "warning"]
    assert any("elsewhere.example" in one["diagnostics"] for one in told)


def test_row_60_written_digits_are_judged_as_written(side):
    raw = b'{"resourceType":"Observation","status":"final","code":{"text":"x"},"valueQuantity":{"value":31.0}}'
    assert errors(side.post("Observation/$validate", raw)) == set()


# Row 61: Patient/$everything


def everything_of(side, patient):
    """(type, id) of what searches find of a patient, type by type: independent of the operation."""
    found = {("Patient", patient)}
    for type_, of_type in parameters().items():
        if "patient" in of_type and type_ != "Patient":
            for bundle in all_pages(side, side.get(f"{type_}?patient={patient}&_count=200")):
                found |= {(one["resourceType"], one["id"]) for one in resources(bundle)}
    return found


def keys(bundles, mode="match"):
    return [(one["resourceType"], one["id"]) for bundle in bundles for one in resources(bundle, mode)]


def test_row_61_everything_is_one_bundle_with_all_there_is_provenance_included(side, patient):
    answer = side.get(f"Patient/{patient}/$everything")
    bundle = answer.json()
    assert (answer.status_code, bundle["type"]) == (200, "searchset")
    assert set(keys([bundle])) == everything_of(side, patient)
    assert bundle["total"] == len(keys([bundle]))
    assert {"Patient", "Observation", "Provenance", "Device", "CarePlan", "Task"} <= {
        type_ for type_, _ in keys([bundle])
    }
    assert list(links(bundle)) == ["self"]
    assert all(entry["fullUrl"].startswith(BASE) for entry in bundle["entry"])
    assert [issue for issue in check_bytes(answer.content) if issue.severity == "error"] == []


@pytest.mark.parametrize("count", [1, 7, 50])
def test_row_61_pages_hold_at_most_what_was_asked_and_together_give_each_resource_once(side, patient, count):
    bundles = all_pages(side, side.get(f"Patient/{patient}/$everything?_count={count}"))
    found = keys(bundles)
    assert all(0 < len(keys([bundle])) <= count for bundle in bundles)
    assert len(found) == len(set(found))
    assert set(found) == everything_of(side, patient)
    assert {bundle["total"] for bundle in bundles} == {len(found)}


def test_row_61_a_count_of_nothing_counts(side, patient):
    bundle = side.get(f"Patient/{patient}/$everything?_count=0").json()
    assert (keys([bundle]), bundle["total"]) == ([], len(everything_of(side, patient)))


def test_row_61_types_narrow_it_comma_separated_or_repeated(side, patient):
    wanted = {key for key in everything_of(side, patient) if key[0] in ("Flag", "Goal")}
    for asked in ("_type=Flag,Goal", "_type=Flag&_type=Goal"):
        assert set(keys([side.get(f"Patient/{patient}/$everything?{asked}").json()])) == wanted
    assert keys([side.get(f"Patient/{patient}/$everything?_type=Immunization").json()]) == []
    assert side.get(f"Patient/{patient}/$everything?_type=Foo").status_code == 400


def test_row_61_start_and_end_speak_of_the_time_of_care(side, patient):
    times = sorted(
        one["effectiveDateTime"] for one in resources(side.get(f"Observation?patient={patient}&_count=900").json())
    )
    first, last = times[0][:10], times[-1][:10]
    assert first < last
    for day in (first, last):
        found = resources(side.get(f"Patient/{patient}/$everything?start={day}&end={day}").json())
        observed = {one["id"] for one in found if one["resourceType"] == "Observation"}
        searched = {
            one["id"] for one in resources(side.get(f"Observation?patient={patient}&date={day}&_count=900").json())
        }
        assert observed == searched
        assert observed
        assert {"Patient", "Condition", "Goal", "Device"} <= {one["resourceType"] for one in found}
    since_start = keys([side.get(f"Patient/{patient}/$everything?start=1999").json()])
    assert set(since_start) == everything_of(side, patient)
    nothing = {type_ for type_, _ in keys([side.get(f"Patient/{patient}/$everything?end=1999").json()])}
    assert "Observation" not in nothing


def test_row_61_since_gives_what_was_recorded_at_that_time_or_later(side, patient):
    at = resources(side.get(f"Patient?_id={patient}").json())[0]["meta"]["lastUpdated"]
    everything = keys([side.get(f"Patient/{patient}/$everything").json()])
    assert keys([side.get(f"Patient/{patient}/$everything?_since={at}").json()]) == everything
    later = (NOW + timedelta(minutes=5)).isoformat().replace("+00:00", "Z")
    assert keys([side.get(f"Patient/{patient}/$everything?_since={later}").json()]) == []


def test_row_61_parameters_by_post_ask_the_same(side, patient):
    body = {
        "resourceType": "Parameters",
        "parameter": [{"name": "_count", "valueInteger": 3}, {"name": "_type", "valueCode": "Observation"}],
    }
    posted = side.post(f"Patient/{patient}/$everything", body).json()
    assert posted == side.get(f"Patient/{patient}/$everything?_count=3&_type=Observation").json()


def test_row_61_what_cannot_be_given_is_refused(side, patient):
    assert side.get("Patient/nobody/$everything").status_code == 404
    for wrong in (
        "start=yesterday",
        "_since=2026-13",
        "_count=-1",
        "_count=x",
        "_cursor=x",
        "_cursor=Moon.1",
        "_count=1&_count=2",
    ):
        assert side.get(f"Patient/{patient}/$everything?{wrong}").status_code == 400, wrong
    told = side.get(f"Patient/{patient}/$everything?colour=red&_type=Goal").json()
    assert "colour" in resources(told, "outcome")[0]["issue"][0]["diagnostics"]
    assert "colour" not in links(told)["self"]
    assert side.get(f"Patient/{patient}/$everything?colour=red", prefer="handling=strict").status_code == 400


def test_row_61_people_and_institutions_that_are_referred_to_come_along(tmp_path):
    with whole_side(tmp_path) as side:
        side.save(
            {"resourceType": "Organization", "id": "alder", "meta": {}, "name": "Alder Bay"},
            {"resourceType": "Organization", "id": "birch", "meta": {}, "name": "Birch Hill"},
            {
                "resourceType": "Patient",
                "id": "p1",
                "meta": {},
                "managingOrganization": {"reference": "Organization/alder"},
            },
            {
                "resourceType": "Patient",
                "id": "p2",
                "meta": {},
                "managingOrganization": {"reference": "Organization/birch"},
            },
        )
        bundle = side.get("Patient/p1/$everything").json()
        assert keys([bundle]) == [("Patient", "p1")]
        assert keys([bundle], "include") == [("Organization", "alder")]
        assert bundle["total"] == 1  # counts matches only (row 33)
        narrowed = side.get("Patient/p1/$everything?_type=Patient").json()
        assert keys([narrowed], "include") == []


def test_row_61_pages_neither_repeat_nor_hide_a_row_while_others_write(tmp_path):
    with whole_side(tmp_path) as side:
        side.save({"resourceType": "Patient", "id": "p1", "meta": {}}, *(observed(n) for n in range(9)))
        first = side.get("Patient/p1/$everything?_count=4").json()
        side.save(*(observed(n) for n in range(20, 30)), now=NOW + timedelta(seconds=1))
        found = keys([first, *all_pages(side, side.follow(links(first)["next"]))])
        assert len(found) == len(set(found))
        assert {("Observation", f"o-{n}") for n in range(9)} <= set(found)


def observed(number, code="a", at="2026-03-02", status="final", patient="p1"):
    return {
        "resourceType": "Observation",
        "id": f"o-{number}",
        "meta": {},
        "status": status,
        "category": [{"coding": [{"system": "urn:category", "code": "exam"}]}],
        "code": {"coding": [{"system": "urn:own", "code": code}]},
        "subject": {"reference": f"Patient/{patient}"},
        "effectiveDateTime": at,
    }


# Row 62: Observation/$lastn


@pytest.fixture(scope="module")
def charts(tmp_path_factory):
    with whole_side(tmp_path_factory.mktemp("lastn"), zone="Europe/Vienna") as whole:
        whole.save(
            observed(1, "a", "2026-03-01"),
            observed(2, "a", "2026-03-03"),
            observed(3, "a", "2026-03-02"),
            observed(4, "b", "2026-03-02T10:00:00+01:00"),
            observed(5, "b", "2026-03-02T09:00:00Z"),  # the same instant
            observed(6, "b", "2026-03-09", status="entered-in-error"),
            observed(7, "c", "2026-03-05", patient="p2"),
        )
        yield whole


def last(charts, query):
    return [one["id"] for one in resources(charts.get(f"Observation/$lastn?{query}").json())]


def test_row_62_the_newest_of_each_code_is_given_ties_included(charts):
    found = last(charts, "patient=p1&category=exam")
    assert (found[0], sorted(found[1:])) == ("o-2", ["o-4", "o-5"])


def test_row_62_max_gives_more_of_each(charts):
    assert last(charts, "patient=p1&code=urn:own|a&max=2") == ["o-2", "o-3"]
    assert last(charts, "subject=Patient/p1&code=a&max=9") == ["o-2", "o-3", "o-1"]


def test_row_62_what_was_retracted_is_left_out_said_and_given_when_asked_for(charts):
    # R4 gives retracted ones unless status is filtered. Here a retracted reading is never given as the newest one
    # unasked: somebody would act on it. The answer says that it was left out.
    told = charts.get("Observation/$lastn?patient=p1&code=b").json()
    assert "o-6" not in [one["id"] for one in resources(told)]
    assert "1 entered in error" in resources(told, "outcome")[0]["issue"][0]["diagnostics"]
    assert last(charts, "patient=p1&code=b&status=entered-in-error,final") == ["o-6"]


def test_row_62_other_search_parameters_narrow_it(charts):
    assert last(charts, "patient=p1&code=a&date=lt2026-03-03") == ["o-3"]


def test_row_62_no_match_is_an_empty_searchset_and_no_error(charts):
    answer = charts.get("Observation/$lastn?patient=nobody&category=exam")
    assert answer.status_code == 200
    assert (answer.json()["type"], answer.json()["total"], "entry" in answer.json()) == ("searchset", 0, False)


def test_row_62_only_current_versions_are_given(tmp_path):
    with whole_side(tmp_path) as side:
        side.save(observed(1, "a"))
        side.save(observed(1, "a", status="amended"), now=NOW + timedelta(seconds=1))
        (one,) = resources(side.get("Observation/$lastn?patient=p1&code=a&max=5").json())
        assert (one["status"], one["meta"]["versionId"]) == ("amended", "2")


@pytest.mark.parametrize(
    "query",
    ["", "patient=p1", "category=exam", "patient=p1&date=2026", "patient=p1&code=a&max=0", "patient=p1&code=a&max=x"],
)
def test_row_62_patient_and_category_or_code_are_needed_and_max_is_positive(charts, query):
    answer = charts.get(f"Observation/$lastn?{query}")
    assert answer.status_code == 400
    assert issues(answer)


def test_row_62_unknown_parameters_are_named_or_under_strict_handling_refused(charts):
    told = charts.get("Observation/$lastn?patient=p1&code=a&colour=red").json()
    assert "colour" in resources(told, "outcome")[0]["issue"][0]["diagnostics"]
    assert "colour" not in links(told)["self"]
    assert charts.get("Observation/$lastn?patient=p1&code=a&colour=red", prefer="handling=strict").status_code == 400


def test_row_62_the_documented_other_way_gives_the_same(charts):
    # For servers and clients without $lastn: sort by time and take one.
    searched = resources(charts.get("Observation?patient=p1&code=a&_sort=-date&_count=1").json())
    assert [one["id"] for one in searched] == last(charts, "patient=p1&code=a")


def test_row_62_parameters_by_post_ask_the_same(charts):
    body = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "patient", "valueString": "p1"},
            {"name": "code", "valueString": "a"},
            {"name": "max", "valuePositiveInt": 2},
        ],
    }
    assert [one["id"] for one in resources(charts.post("Observation/$lastn", body).json())] == ["o-2", "o-3"]


def test_row_62_of_a_real_course_each_code_is_given_once_or_at_one_time(side, patient):
    found = resources(side.get(f"Observation/$lastn?patient={patient}&category=exam").json())
    stored = resources(side.get(f"Observation?patient={patient}&category=exam&_count=900").json())
    times = {}
    for one in stored:
        if one["status"] != "entered-in-error":
            times.setdefault(one["code"]["text"], []).append(one["effectiveDateTime"])
    assert {one["code"]["text"] for one in found} == set(times)
    assert all(one["effectiveDateTime"] == max(times[one["code"]["text"]]) for one in found)


# $translate and what they have in common


def test_translate_by_url_and_by_post_at_the_type_and_at_the_map(side):
    system = side.get("CodeSystem/closure").json()["url"]
    query = f"code=widest-gap&system={quote(system)}"
    answers = [
        side.get(f"ConceptMap/$translate?{query}"),
        side.get(f"ConceptMap/closure/$translate?{query}"),
        side.post(
            "ConceptMap/$translate",
            {
                "resourceType": "Parameters",
                "parameter": [{"name": "coding", "valueCoding": {"system": system, "code": "widest-gap"}}],
            },
        ),
    ]
    assert {answer.status_code for answer in answers} == {200}
    assert len({answer.content for answer in answers}) == 1
    assert answers[0].json()["parameter"][0] == {"name": "result", "valueBoolean": True}
    assert side.get(f"ConceptMap/other/$translate?{query}").status_code == 404
    assert side.get("ConceptMap/$translate?code=widest-gap").status_code == 400


def test_head_answers_like_get_without_a_body(side, patient):
    for path in (f"Patient/{patient}/$everything", f"Observation/$lastn?patient={patient}&category=exam"):
        head = side.client.head(f"/fhir/{path}")
        assert (head.status_code, head.content) == (200, b"")
        assert int(head.headers["content-length"]) == len(side.get(path).content)


def test_only_fhir_json_is_answered(side, patient):
    for path in (f"Patient/{patient}/$everything", "ConceptMap/$translate", "Observation/$lastn"):
        assert side.get(path, accept="application/fhir+xml").status_code == 406


@pytest.mark.parametrize(
    "path", ["$everything", "Observation/$everything", "Observation/$nothing", "Patient/x/$lastn", "$lastn"]
)
def test_an_operation_that_is_not_offered_is_unknown(side, path):
    for answer in (side.get(path), side.post(path, GOOD)):
        assert answer.status_code == 404
        assert issues(answer)[0]["code"] == "not-found"
