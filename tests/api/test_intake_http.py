"""The calls of the intake contract over HTTP: statuses, problem documents (RFC 9457), pointers (RFC 6901)."""

import json

import pytest

from service import strict_json
from tests.intake.documents import amendment, check, course_file, installation, outcome, removal, reset, retraction


def post(client, path, document, **headers):
    body = document if isinstance(document, bytes) else strict_json.write(document)
    return client.post(path, content=body, headers={"Content-Type": "application/json"} | headers)


def test_a_course_file_is_recorded_and_answered_with_the_course_view(client):
    answer = post(client, "/intake/courses", course_file(installation(), check()))
    assert answer.status_code == 201
    assert answer.headers["location"] == "http://127.0.0.1:8080/intake/courses/alder-1"
    view = answer.json()
    assert (view["course_id"], view["state"]) == ("alder-1", "open")
    assert view["latest"]["max_gap_mm"] == 49
    assert [band["state"] for band in view["bands"]] == ["in-range", "in-range", "not-read"]
    assert view["counts"]["anchors"]["placed"] == 34
    assert [entry["entry_id"] for entry in view["entries"]] == ["in-1", "ch-1"]
    assert client.get("/intake/courses/alder-1").json() == view


def test_the_next_reset_is_a_day_after_the_last_setting_unless_something_asks_for_it_earlier(client):
    view = post(client, "/intake/courses", course_file(installation())).json()
    assert (view["next_reset"]["due_at"], view["next_reset"]["reason"]) == ("2026-03-03T11:00:00+01:00", "interval")
    view = post(client, "/intake/courses/alder-1/entries", check()).json()
    assert (view["next_reset"]["reason"], view["next_reset"]["bands"]) == ("predicted-slack", [1])


def test_entries_are_given_back_with_the_digits_as_read(client):
    post(client, "/intake/courses", course_file(installation(), check()))
    assert b'"gap_mm":49.0' in client.get("/intake/courses/alder-1").content


def test_the_same_file_again_changes_nothing_and_further_entries_are_added(client):
    assert post(client, "/intake/courses", course_file(installation())).status_code == 201
    before = client.get("/fhir/Observation?_count=1000").content
    assert post(client, "/intake/courses", course_file(installation())).status_code == 200
    assert client.get("/fhir/Observation?_count=1000").content == before
    assert post(client, "/intake/courses", course_file(installation(), check())).status_code == 201


def test_one_entry_or_a_list_is_recorded_all_or_nothing(client):
    post(client, "/intake/courses", course_file(installation()))
    assert post(client, "/intake/courses/alder-1/entries", check()).status_code == 201
    assert post(client, "/intake/courses/alder-1/entries", check()).status_code == 200
    refused = post(client, "/intake/courses/alder-1/entries", [reset(), check("ch-2", pain_0_10=11)])
    assert refused.status_code == 422
    assert refused.headers["content-type"] == "application/problem+json"
    assert [fault["pointer"] for fault in refused.json()["errors"]] == ["/1/pain_0_10"]
    assert len(client.get("/intake/courses/alder-1").json()["entries"]) == 2


def test_the_same_id_with_other_content_is_a_conflict(client):
    post(client, "/intake/courses", course_file(installation(), check()))
    answer = post(client, "/intake/courses/alder-1/entries", check(pain_0_10=1))
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (409, "/entry_id")


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"", 400),
        (b"\xff", 400),
        (b"[1,", 400),
        (b'{"course":{},"course":{}}', 400),
        (b'{"course": NaN}', 400),
        (b"[" * 100_000, 400),
        (b'{"a":1e999}', 400),
        (b'{"a":"\\ud800"}', 400),
        (b'{"a":"\x00"}', 400),
        (b" " * (1024 * 1024 + 1), 413),
        (b"null", 422),
        (b"7", 422),
        (b'"text"', 422),
        (b"{}", 422),
        (b"[]", 422),
        (b'{"course":[],"entries":{}}', 422),
    ],
)
def test_a_hostile_body_gets_a_clear_refusal_and_nothing_is_stored(client, body, status):
    for path in ("/intake/courses", "/intake/preview"):
        answer = post(client, path, body)
        assert answer.status_code == status
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["status"] == status
    assert client.get("/intake/courses").json()["courses"] == []


def test_a_nul_in_a_text_is_refused_with_its_place(client):
    answer = post(client, "/intake/courses", course_file(installation(note="a\x00b")))
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "/entries/0/note")


def test_another_media_type_is_refused(client):
    answer = client.post("/intake/courses", content=b"{}", headers={"Content-Type": "text/plain"})
    assert answer.status_code == 415
    assert client.post("/intake/courses", content=b"{}").status_code == 415


def test_an_unknown_course_is_not_found(client):
    assert client.get("/intake/courses/nobody").status_code == 404
    assert post(client, "/intake/courses/nobody/entries", check()).status_code == 404
    assert client.get("/intake/nowhere").headers["content-type"] == "application/problem+json"


def test_a_wrong_verb_names_the_right_ones(client):
    answer = client.delete("/intake/courses/alder-1")
    assert answer.status_code == 405
    assert answer.headers["content-type"] == "application/problem+json"
    assert "GET" in answer.headers["allow"]


def test_preview_gives_the_bundle_and_stores_nothing(client):
    answer = post(client, "/intake/preview", course_file(installation(), check()))
    assert answer.status_code == 200
    bundle = answer.json()
    assert (bundle["resourceType"], bundle["type"]) == ("Bundle", "transaction")
    assert client.get("/intake/courses").json()["courses"] == []
    assert client.get("/fhir/Patient").json()["resourceType"] == "Bundle"
    assert "entry" not in client.get("/fhir/Patient").json()


def test_courses_are_listed_a_page_at_a_time_without_entries(client):
    for number in range(5):
        post(client, "/intake/courses", course_file(course_id=f"course-{number}"))
    seen, cursor = [], ""
    while True:
        page = client.get(f"/intake/courses?limit=2{cursor}").json()
        seen += [view["course_id"] for view in page["courses"]]
        assert all("entries" not in view for view in page["courses"])
        if "next_cursor" not in page:
            break
        cursor = f"&cursor={page['next_cursor']}"
    assert sorted(seen) == [f"course-{number}" for number in range(5)]
    assert len(seen) == 5


def test_courses_are_listed_by_state(client):
    post(client, "/intake/courses", course_file(installation(), removal(), outcome(), course_id="done"))
    post(client, "/intake/courses", course_file(installation(), course_id="going-on"))
    assert [c["course_id"] for c in client.get("/intake/courses?state=closed").json()["courses"]] == ["done"]
    assert [c["course_id"] for c in client.get("/intake/courses?state=open").json()["courses"]] == ["going-on"]
    for query in ("state=half", "limit=0", "limit=x", "limit=201", "cursor=%00"):
        assert client.get(f"/intake/courses?{query}").status_code == 422


def test_the_due_board_lists_open_resets_most_overdue_first(client):
    post(client, "/intake/courses", course_file(installation(), course_id="reset-too-late"))
    later = installation("in-1", "2026-03-09T10:00:00+01:00")
    post(client, "/intake/courses", course_file(later, course_id="reset-to-come"))
    post(client, "/intake/courses", course_file(installation(), removal(), course_id="taken-out"))
    rows = client.get("/intake/due").json()["due"]
    told = [(row["course_id"], row["status"]) for row in rows]
    assert told == [("reset-too-late", "overdue"), ("reset-to-come", "planned")]
    assert [row["course_id"] for row in client.get("/intake/due?within_h=0").json()["due"]] == ["reset-too-late"]
    for ahead in ("-1", "x", "9999", "1e3", ""):
        assert client.get(f"/intake/due?within_h={ahead}").status_code == 422
    assert client.get("/intake/due?within_h=0.5").status_code == 200


def test_a_correction_makes_a_new_version_and_keeps_the_old(client):
    post(client, "/intake/courses", course_file(installation(), check()))
    corrected = check(gaps=[{"station_mm": 40, "gap_mm": 35}, {"station_mm": 80, "gap_mm": 48}])
    view = post(client, "/intake/courses/alder-1/entries", amendment("am-1", corrected)).json()
    assert view["latest"]["max_gap_mm"] == 48
    assert [entry["kind"] for entry in view["entries"]] == ["installation", "check", "amendment"]
    found = client.get("/fhir/Observation?status=corrected,amended&_count=1000").json()["entry"]
    assert found
    history = client.get(f"/fhir/Observation/{found[0]['resource']['id']}/_history").json()["entry"]
    assert [row["resource"]["status"] for row in history][-1] == "final"


def test_a_retraction_leaves_everything_on_record_as_entered_in_error(client):
    post(client, "/intake/courses", course_file(installation(), check()))
    before = {row["resource"]["id"] for row in client.get("/fhir/Observation?_count=1000").json()["entry"]}
    post(client, "/intake/courses/alder-1/entries", retraction("rt-1", "ch-1"))
    after = {row["resource"]["id"] for row in client.get("/fhir/Observation?_count=1000").json()["entry"]}
    assert before <= after
    assert client.get("/fhir/Observation?status=entered-in-error").json()["entry"]


def test_the_start_page_shows_where_to_go(client):
    post(client, "/intake/courses", course_file(installation(note="<script>alert(1)</script>")))
    page = client.get("/")
    assert page.status_code == 200
    for place in ("fhir/metadata", "intake/courses", "intake/due", "openapi.json", "alder-1", "Caution"):
        assert place in page.text


def test_openapi_describes_every_call_with_an_example(client):
    document = client.get("/openapi.json").json()
    for path in ("/intake/courses", "/intake/preview", "/intake/courses/{course_id}/entries"):
        content = document["paths"][path]["post"]["requestBody"]["content"]["application/json"]
        assert content["examples"]
    assert json.dumps(document).count("$defs") == 0
