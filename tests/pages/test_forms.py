"""The forms without script: what is typed becomes the entry that the intake takes, every fault beside its field."""

import re
from decimal import Decimal

import pytest
from starlette.testclient import TestClient

from service.intake.members import read_entry
from service.report.story import story_of
from tests.pages.forms import posted_form
from tests.pages.ward import EXAMPLES, load, ward_app

WHO = {
    "performer/identifier/value": "n-1104",
    "performer/identifier/system": "https://tarnfels.example/staff-number",
    "performer/display": "R. Ostrander",
}
SAFE = {"Sec-Fetch-Site": "same-origin"}


@pytest.fixture
def client(ward):
    with TestClient(ward_app(ward), base_url=ward.base, follow_redirects=False) as client:
        yield client


@pytest.fixture
def course(ward):
    return load(ward, EXAMPLES[0], 13)


def opened(client, course, kind):
    answer = client.get(f"/ward/courses/{course}/{kind}")
    assert answer.status_code == 200
    return posted_form(answer.text)


def sent(client, form, headers=SAFE, **texts):
    return client.post(form.action, data=form.filled(**texts), headers=headers)


def fault_of(page, name):
    found = re.search(rf'<span class="fault" id="f-{re.escape(name)}"[^>]*>(.*?)</span>\n', page, re.S)
    assert found, name
    return re.sub(r"<[^>]*>|▲", "", found[1]).strip()


def a_check(**more):
    gaps = {f"gaps/{row}/gap_mm": gap for row, gap in enumerate((5, 10, 12, 11, 6))}
    bands = {f"bands/{row}/mark_mm": mark for row, mark in enumerate(("16.0", 18, 19, 19, 18, 17))}
    return {"also": {**WHO, **gaps, **bands, **more}, "device_status": "in-place"}


def test_a_typed_check_is_the_entry_that_the_intake_would_have_taken(client, ward, course):
    ward.later(hours=2)
    form = opened(client, course, "check")
    answer = sent(client, form, **a_check(**{"dressing/changed": "true", "dressing/placed": 1, "skin": ["intact"]}))
    assert answer.status_code == 303
    assert answer.headers["location"].endswith(f"/ward/courses/{course}?saved={form.fields['entry_id'][0]}")
    entry = ward.view(course)["entries"][-1]
    assert entry["kind"] == "check"
    assert entry["at"] == "2025-03-06T13:10:00+01:00"  # the site's wall clock, with its offset
    assert entry["gaps"][2] == {"station_mm": 90, "gap_mm": 12}
    assert str(entry["bands"][0]["mark_mm"]) == "16.0"  # the digits that were typed
    assert entry["dressing"] == {"changed": True, "placed": 1}
    assert entry["skin"] == ["intact"]
    assert "mobilised" not in entry  # not charted is absent, not false


def test_stretch_ratios_may_be_typed_instead_of_marks(client, ward, course):
    form = opened(client, course, "check")
    typed = a_check(**{f"bands/{row}/mark_mm": "1.75" for row in range(6)})
    assert sent(client, form, read_as="ratio", **typed).status_code == 303
    marks = [band["mark_mm"] for band in ward.view(course)["entries"][-1]["bands"]]
    assert marks == [Decimal("17.5")] * 6  # at rest 10 mm
    assert all(band["stretch_ratio"] == Decimal("1.75") for band in ward.view(course)["bands"])


def test_every_fault_stands_beside_its_field_and_nothing_typed_is_lost(client, ward, course):
    before = len(ward.view(course)["entries"])
    form = opened(client, course, "check")
    typed = a_check(
        **{
            "gaps/0/gap_mm": "wide",
            "bands/3/mark_mm": 190,
            "pain_0_10": 11,
            "note": "a\nb <b>",
            "performer/display": "",
        }
    )
    typed["device_status"] = ""
    answer = sent(client, form, **typed)
    assert answer.status_code == 422
    page = answer.text
    assert fault_of(page, "gaps/0/gap_mm") == "must be a number"
    assert "between 0.5 and 4 times" in fault_of(page, "bands/3/mark_mm")
    assert "10" in fault_of(page, "pain_0_10")
    assert fault_of(page, "device_status") == "is missing"
    assert fault_of(page, "bands/2/mark_mm") == ""
    again = posted_form(page)
    assert again.fields["gaps/0/gap_mm"] == ["wide"]
    assert again.fields["note"] == ["a\nb <b>"]
    assert again.fields["entry_id"] == form.fields["entry_id"]
    assert len(ward.view(course)["entries"]) == before


def test_faults_point_at_the_typed_row_where_rows_before_it_were_left_empty(client, course):
    form = opened(client, course, "check")
    typed = a_check(**{"gaps/0/gap_mm": "", "gaps/1/gap_mm": "", "gaps/4/gap_mm": 999})
    page = sent(client, form, **typed).text
    assert "400" in fault_of(page, "gaps/4/gap_mm")
    assert fault_of(page, "gaps/2/gap_mm") == ""


def test_the_same_form_sent_again_changes_nothing(client, ward, course):
    form = opened(client, course, "check")
    first = sent(client, form, **a_check())
    again = sent(client, form, **a_check())
    assert (first.status_code, again.status_code) == (303, 303)
    assert first.headers["location"] == again.headers["location"]
    ids = [entry["entry_id"] for entry in ward.view(course)["entries"]]
    assert ids.count(form.fields["entry_id"][0]) == 1


def test_a_saved_form_sent_again_with_other_content_is_refused(client, ward, course):
    form = opened(client, course, "check")
    sent(client, form, **a_check())
    answer = sent(client, form, **a_check(note="another dressing"))
    assert answer.status_code == 422
    assert "was saved before" in answer.text
    assert "note" not in ward.view(course)["entries"][-1]


def test_who_opened_a_form_before_others_charted_is_told_and_saves_then(client, ward, course):
    mine, theirs = opened(client, course, "check"), opened(client, course, "check")
    ward.later(minutes=5)
    assert sent(client, theirs, **a_check(note="theirs")).status_code == 303
    told = sent(client, mine, **a_check(note="mine"))
    assert told.status_code == 409
    assert "Others have charted since this form was opened" in told.text
    assert "R. Ostrander" in told.text
    assert sent(client, posted_form(told.text)).status_code == 303
    notes = [entry.get("note") for entry in ward.view(course)["entries"][-2:]]
    assert notes == ["theirs", "mine"]


def test_computing_shows_the_plan_and_stores_nothing(client, ward, course):
    before = ward.view(course)
    form = opened(client, course, "check")
    page = sent(client, form, compute="1", **a_check(**{"bands/0/mark_mm": 21})).text
    assert "2.100" in page
    assert "above the maximum of 2.0" in page
    assert "12 mm" in page
    assert ward.view(course) == before


def test_computing_while_typing_says_nothing_of_what_is_not_typed_yet(client, course):
    form = opened(client, course, "check")
    answer = client.post(form.action + "/preview", data=form.filled(also={"bands/1/mark_mm": "18.5"}), headers=SAFE)
    assert answer.status_code == 200
    assert "is missing" not in answer.text
    assert "1.850" in answer.text


def test_a_reset_shows_the_stretch_that_each_mark_would_give_before_it_is_saved(client, ward, course):
    form = opened(client, course, "reset")
    assert form.fields["bands/0/band"] == ["3"]  # from the middle outwards
    typed = form.filled(also={"bands/0/mark_mm_after": "20.5", "bands/1/mark_mm_before": 15})
    page = client.post(form.action + "/preview", data=typed, headers=SAFE).text
    assert "2.050" in page
    assert "is missing" not in page
    assert len(ward.view(course)["entries"]) == 13


def test_a_form_from_another_site_is_refused(client, ward, course):
    before = len(ward.view(course)["entries"])
    form = opened(client, course, "check")
    for headers in (
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Origin": "https://elsewhere.example"},
        {"Origin": "null"},
    ):
        assert sent(client, form, headers=headers, **a_check()).status_code == 403, headers
    assert len(ward.view(course)["entries"]) == before
    assert sent(client, form, headers={"Origin": ward.base}, **a_check()).status_code == 303


def test_more_rows_keep_what_was_typed(client, course):
    form = opened(client, course, "installation")
    page = sent(client, form, more="bands", setback_mm=12, also={"bands/5/mark_mm": 17}).text
    again = posted_form(page)
    assert again.fields["setback_mm"] == ["12"]
    assert again.fields["bands/5/mark_mm"] == ["17"]
    assert again.fields["bands/9/band"] == ["10"]


def test_an_hour_that_comes_twice_is_asked_for_and_one_that_never_comes_is_refused(client, ward, course):
    ward.now = ward.now.replace(month=10, day=26, hour=12)
    form = opened(client, course, "check")
    page = sent(client, form, at="2025-10-26T02:30", **a_check()).text
    assert "comes twice" in fault_of(page, "at")
    assert 'name="at@fold"' in page
    assert sent(client, form, at="2025-10-26T02:30", **a_check(**{"at@fold": "1"})).status_code == 303
    assert ward.view(course)["entries"][-1]["at"] == "2025-10-26T02:30:00+01:00"
    other = opened(client, course, "check")
    page = sent(client, other, at="2025-03-30T02:30", **a_check()).text
    assert "does not exist" in fault_of(page, "at")


def test_a_correction_holds_the_whole_entry_and_changes_only_what_was_typed(client, ward, course):
    view = ward.view(course)
    charted = next(entry for entry in view["entries"] if entry["entry_id"] == "e02")
    form = opened(client, course, "correct?entry=e02")
    also = {**WHO, "entry/gaps/2/gap_mm": 53}
    assert sent(client, form, also=also, reason="misread").status_code == 303
    amendment = ward.view(course)["entries"][-1]
    assert amendment["kind"] == "amendment"
    assert amendment["amends"] == "e02"
    changed = {**charted, "gaps": [dict(gap) for gap in charted["gaps"]]}
    changed["gaps"][2]["gap_mm"] = 53
    assert amendment["entry"] == changed
    page = client.get(f"/ward/courses/{course}").text
    assert "misread" in page
    assert "<del>" in page


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.parent.name + "/" + path.stem)
def test_a_correction_of_an_entry_of_each_kind_that_changes_nothing_keeps_every_member(client, ward, path):
    course = load(ward, path)
    before = story_of(ward.workflow, course, ward.now).entries
    one_of_each = {entry["kind"]: entry for entry in ward.view(course)["entries"]}
    for entry in [one for kind, one in one_of_each.items() if kind not in ("amendment", "retraction")]:
        form = opened(client, course, f"correct?entry={entry['entry_id']}")
        made = sent(client, form, also=WHO, reason="nothing")
        newest = ward.view(course)["entries"][-1]
        if made.status_code == 422:  # retracted before: cannot be amended
            assert "retracted" in made.text
            continue
        assert made.status_code == 303
        stands = next(e.entry for e in before if e.entry.entry_id == entry["entry_id"])
        assert read_entry(newest["entry"]) == stands


def test_a_retraction_needs_its_reason_and_the_entry_stays_in_sight(client, ward, course):
    form = opened(client, course, "retract?entry=e13")
    assert fault_of(sent(client, form, also=WHO).text, "reason") == "is missing"
    assert sent(client, form, also=WHO, reason="other patient").status_code == 303
    assert ward.view(course)["entries"][-1]["retracts"] == "e13"
    assert "Does not count." in client.get(f"/ward/courses/{course}").text


def test_a_correction_can_be_taken_back(client, ward, course):
    form = opened(client, course, "correct?entry=e02")
    sent(client, form, also={**WHO, "entry/gaps/2/gap_mm": 53}, reason="misread")
    amendment = ward.view(course)["entries"][-1]["entry_id"]
    back = opened(client, course, f"retract?entry={amendment}")
    assert sent(client, back, also=WHO, reason="was right").status_code == 303
    assert "Taken back:" in client.get(f"/ward/courses/{course}").text


def test_counts_expected_stand_beside_the_count_and_are_not_filled_in(client, course):
    page = client.get(f"/ward/courses/{course}/removal").text
    assert "38 by the record" in page
    assert posted_form(page).fields["anchors_removed"] == [""]


def test_what_cannot_be_a_form_is_refused(client, ward, course):
    path = f"/ward/courses/{course}/check"
    assert client.post(path, json={}, headers=SAFE).status_code == 415
    form = {"Content-Type": "application/x-www-form-urlencoded", **SAFE}
    assert client.post(path, content=b"note=%ff", headers=form).status_code == 400
    assert client.post(path, content=b"a=" + b"x" * 300_000, headers=form).status_code == 413
    assert client.post(path, content=b"&".join(b"a=1" for _ in range(4000)), headers=form).status_code == 400
    assert client.get(f"/ward/courses/{course}/nothing").status_code == 404
    assert client.get("/ward/courses/nobody").status_code == 404


def test_forms_tell_the_audit_record_which_course_they_show(client, ward, course):
    client.get("/ward")
    client.get(f"/ward/courses/{course}/check")
    assert ward.shown[-2:] == [[course], [course]]


def test_a_course_is_opened_by_its_form_with_the_faults_of_the_course_beside_its_fields(client, ward):
    form = posted_form(client.get("/ward/new").text)
    typed = {
        "course_id": "maple-thigh-1",
        "opened_at": "2026-03-09T08:00",
        "also": {
            "patient/identifier/value": "T9",
            "patient/identifier/system": "https://tarnfels.example/patient-number",
            "patient/given": "Ada, Lou",
            "wound/cause": "trauma",
            "wound/body_site": "thigh",
            "wound/length_mm": "9",
            "wound/reference_end": "proximal",
        },
    }
    refused = sent(client, form, **typed)
    assert refused.status_code == 422
    assert "10" in fault_of(refused.text, "wound/length_mm")
    typed["also"]["wound/length_mm"] = "152,5"  # a decimal comma
    assert sent(client, posted_form(refused.text), **typed).status_code == 303
    page = client.get("/ward/courses/maple-thigh-1").text
    assert "Ada Lou" in page
    assert "152.5 mm" in page
    assert "Nothing is charted yet." in page
