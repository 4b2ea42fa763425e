"""The intake contract, version 1: what is accepted, what is refused, and where the pointer lies."""

from decimal import Decimal
from itertools import permutations

import pytest

from service.clinic.entries import members_of
from service.clinic.standing import Charted
from service.intake.faults import Refused
from service.intake.review import Known, digest_of, entry_of, review_course_file, review_entries
from tests.intake.documents import (
    NOW,
    amendment,
    check,
    course_file,
    entry,
    installation,
    outcome,
    removal,
    reset,
    retraction,
)


def known_of(document):
    reviewed = review_course_file(document, Known(), NOW)
    return Known(
        reviewed.course,
        reviewed.course_digest,
        [new.charted for new in reviewed.entries],
        {new.charted.entry.entry_id: new.digest for new in reviewed.entries},
    )


def pointers(document, known=None):
    review = review_course_file if isinstance(document, dict) and "course" in document else review_entries
    with pytest.raises(Refused) as refusal:
        review(document, known or Known(), NOW)
    return {fault.pointer for fault in refusal.value.faults}, refusal.value


def in_installation(**changes):
    return pointers(course_file(installation(**changes)))[0]


def in_check(**changes):
    return pointers(check(**changes), known_of(course_file(installation())))[0]


def band(number=1, station=40, rest=10, mark=17, tail=80):
    return {"band": number, "station_mm": station, "rest_mark_mm": rest, "mark_mm": mark, "tail_mm": tail}


def test_a_course_file_is_accepted_whole():
    reviewed = review_course_file(course_file(installation(), check(), reset(), removal(), outcome()), Known(), NOW)
    assert [new.charted.entry.kind for new in reviewed.entries] == [
        "installation", "check", "reset", "removal", "outcome",
    ]  # fmt: skip
    assert reviewed.course_is_new


def test_a_course_without_entries_is_accepted():
    assert review_course_file(course_file(), Known(), NOW).entries == ()


def test_digits_are_stored_as_read():
    reviewed = review_course_file(course_file(installation()), Known(), NOW)
    assert b'"mark_mm":17.0' in reviewed.entries[0].body
    assert entry_of(reviewed.entries[0].body).bands[0].mark_mm.as_tuple() == Decimal("17.0").as_tuple()


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"course_id": "a b"}, "/course/course_id"),
        ({"course_id": "x" * 65}, "/course/course_id"),
        ({"opened_at": "2026-03-02T08:00:00"}, "/course/opened_at"),
        ({"opened_at": "2026-03-02T08:00+01:00"}, "/course/opened_at"),
        ({"opened_at": "2026-02-30T08:00:00Z"}, "/course/opened_at"),
        ({"opened_at": "0001-01-01T00:00:00+01:00"}, "/course/opened_at"),
        ({"opened_at": "9999-12-31T23:59:59-01:00"}, "/course/opened_at"),
        ({"opened_at": "2026-03-09T12:16:00+01:00"}, "/course/opened_at"),
        ({"patient": {"identifier": {"system": "mrn", "value": "1"}}}, "/course/patient/identifier/system"),
        ({"patient": {"identifier": {"system": "urn:x:y", "value": " "}}}, "/course/patient/identifier/value"),
        ({"patient": {"identifier": {"system": "urn:x:y"}}}, "/course/patient/identifier/value"),
        ({"wound": {}}, "/course/wound/length_mm"),
        ({"nickname": "x"}, "/course/nickname"),
        ({"encounter": None}, "/course/encounter"),
    ],
)
def test_a_fault_of_the_course_is_named_where_it_lies(changes, where):
    assert where in pointers(course_file(installation(), **changes))[0]


def test_a_birth_date_in_the_future_is_refused():
    patient = {"identifier": {"system": "urn:x:y", "value": "1"}, "birth_date": "2026-03-11"}
    assert pointers(course_file(patient=patient))[0] == {"/course/patient/birth_date"}


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"bands": []}, "/entries/0/bands"),
        ({"bands": [band(mark=4)]}, "/entries/0/bands/0/mark_mm"),
        ({"bands": [band(mark=41)]}, "/entries/0/bands/0/mark_mm"),
        ({"bands": [band(station=161)]}, "/entries/0/bands/0/station_mm"),
        ({"bands": [band(1, 80), band(2, 40)]}, "/entries/0/bands/1/station_mm"),
        ({"bands": [band(1, 40), band(1, 80)]}, "/entries/0/bands/1/band"),
        ({"bands": [band(1, 40), band(2, 40)]}, "/entries/0/bands/1/station_mm"),
        ({"gaps": [{"station_mm": 40, "gap_mm": 401}]}, "/entries/0/gaps/0/gap_mm"),
        ({"gaps": [{"station_mm": 40, "gap_mm": 4}, {"station_mm": Decimal("40.0"), "gap_mm": 5}]},
         "/entries/0/gaps/1/station_mm"),
        ({"setback_mm": Decimal("4.9")}, "/entries/0/setback_mm"),
        ({"anchors_per_side": Decimal("17.5")}, "/entries/0/anchors_per_side"),
        ({"anchors_per_side": True}, "/entries/0/anchors_per_side"),
        ({"anchors_per_side": "17"}, "/entries/0/anchors_per_side"),
        ({"at": "2026-03-02T07:59:59+01:00"}, "/entries/0/at"),
        ({"at": "2026-03-09T12:15:01+01:00"}, "/entries/0/at"),
        ({"note": "bell\x07"}, "/entries/0/note"),
        ({"note": ""}, "/entries/0/note"),
        ({"entry_id": "a/b"}, "/entries/0/entry_id"),
        ({"entry_id": "a\n"}, "/entries/0/entry_id"),
        ({"tail~/x": 1}, "/entries/0/tail~0~1x"),
    ],
)  # fmt: skip
def test_a_fault_of_an_installation_is_named_where_it_lies(changes, where):
    assert in_installation(**changes) == {where}


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"gaps": ...}, "/gaps"),
        ({"bands": ...}, "/bands"),
        ({"bands": []}, "/bands"),
        ({"gaps_not_measured": "asleep"}, "/gaps_not_measured"),
        ({"bands_not_read": "asleep"}, "/bands_not_read"),
        ({"bands": [{"band": 9, "mark_mm": 17}]}, "/bands/0/band"),
        ({"bands": [{"band": 1, "mark_mm": 42}]}, "/bands/0/mark_mm"),
        ({"bands": [{"band": 1, "mark_mm": 17}, {"band": 1, "mark_mm": 17}]}, "/bands/1/band"),
        ({"skin": ["intact", "blister"]}, "/skin/0"),
        ({"skin": ["blister", "blister"]}, "/skin/1"),
        ({"skin": []}, "/skin"),
        ({"skin": ["rash"]}, "/skin/0"),
        ({"next_dressing_change_at": "2026-03-02T20:00:00+01:00"}, "/next_dressing_change_at"),
        ({"dressing": {}}, "/dressing/changed"),
        ({"dressing": {"changed": 1}}, "/dressing/changed"),
        ({"pain_0_10": 11}, "/pain_0_10"),
        ({"devices_present": {"anchors": 1}}, "/devices_present/bands"),
        ({"device_status": "lost"}, "/device_status"),
        ({"at": "2026-03-02T10:00:00+01:00"}, "/at"),
    ],
)
def test_a_fault_of_a_check_is_named_where_it_lies(changes, where):
    assert in_check(**changes) == {where}


def test_twenty_point_zero_is_an_integer():
    assert review_course_file(course_file(installation(anchors_per_side=Decimal("20.0"))), Known(), NOW)


def test_every_fault_is_named_even_beside_a_fault_of_another_sort():
    found, _ = pointers(
        course_file(
            installation(setback_mm="x", bands=[band(1, 80), band(2, 40)], colour="red"),
            check(at="2026-03-20T10:00:00Z", bands=[{"band": 7, "mark_mm": 17}]),
            {"kind": "poem"},
            7,
        )
    )
    assert found == {
        "/entries/0/setback_mm", "/entries/0/bands/1/station_mm", "/entries/0/colour", "/entries/1/at",
        "/entries/1/bands/0/band", "/entries/2/kind", "/entries/3",
    }  # fmt: skip


def test_a_missing_member_is_named_by_its_own_pointer():
    document = course_file(installation())
    del document["entries"][0]["bands"][1]["mark_mm"]
    assert pointers(document)[0] == {"/entries/0/bands/1/mark_mm"}


def test_an_entry_sent_again_changes_nothing():
    known = known_of(course_file(installation(), check()))
    assert review_entries(check(gaps=[{"station_mm": 40, "gap_mm": Decimal("35.50")},
                                      {"station_mm": 80, "gap_mm": 49}]), known, NOW).entries == ()  # fmt: skip


def test_the_same_id_with_other_content_is_a_conflict():
    known = known_of(course_file(installation(), check()))
    found, refusal = pointers(check(pain_0_10=3), known)
    assert (found, refusal.status) == ({"/entry_id"}, 409)


def test_a_conflict_beside_a_broken_rule_answers_422():
    known = known_of(course_file(installation(), check()))
    _, refusal = pointers([check(pain_0_10=3), check("ch-2", pain_0_10=12)], known)
    assert refusal.status == 422


def test_another_patient_wound_or_opening_is_a_conflict_of_the_course():
    known = known_of(course_file(installation()))
    other = {"identifier": {"system": "https://alder-bay.example/mrn", "value": "AB-2"}}
    found, refusal = pointers(course_file(patient=other), known)
    assert (found, refusal.status) == ({"/course/course_id"}, 409)


def test_another_name_updates_what_was_charted():
    known = known_of(course_file(installation()))
    named = {"identifier": {"system": "https://alder-bay.example/mrn", "value": "AB-1"}, "family": "Varga"}
    assert review_course_file(course_file(patient=named), known, NOW).course_changed


def test_within_a_document_the_order_of_entries_does_not_matter():
    rows = [installation(), check(), amendment("am-1", check(pain_0_10=4)), retraction("rt-1", "am-1")]
    for order in permutations(rows):
        assert len(review_course_file(course_file(*order), Known(), NOW).entries) == 4


@pytest.mark.parametrize(
    ("correction", "where"),
    [
        (amendment("am-2", check("nobody")), "/amends"),
        (retraction("rt-2", "nobody"), "/retracts"),
        (retraction("rt-2", "in-1"), "/retracts"),  # a check names its bands
        (retraction("rt-2", "re-1") | {"reason": " "}, "/reason"),
        (amendment("am-2", check(at="2026-03-02T10:00:00+01:00")), "/entry/at"),
        (amendment("am-2", check(bands=[{"band": 8, "mark_mm": 17}])), "/entry/bands/0/band"),
        (amendment("am-2", removal("ch-1")), "/entry/kind"),
        (amendment("am-2", check("ch-9")) | {"amends": "ch-1"}, "/entry/entry_id"),
        (amendment("am-2", installation(bands=[band(1)])), "/amends"),  # the check names band 2
        (amendment("am-2", check(pain_0_10=12)), "/entry/pain_0_10"),
        (retraction("rt-2", "rt-1"), "/retracts"),
        (retraction("rt-2", "re-1"), "/retracts"),  # once only
        (amendment("am-2", reset()), "/amends"),  # it is retracted
        (amendment("am-3", amendment("am-1", check(pain_0_10=2))) | {"amends": "am-1"}, "/entry/kind"),
    ],
)
def test_a_correction_that_cannot_be_is_refused(correction, where):
    known = known_of(
        course_file(installation(), check(), reset(), amendment("am-1", check(pain_0_10=4)), retraction("rt-1", "re-1"))
    )
    found, refusal = pointers(correction, known)
    assert where in found
    assert refusal.status == 422


def test_a_correction_that_breaks_another_entry_names_that_entry():
    known = known_of(course_file(installation(), check()))
    _, refusal = pointers(retraction("rt-1", "in-1"), known)
    assert [fault.pointer for fault in refusal.faults] == ["/retracts"]
    assert "ch-1" in refusal.faults[0].detail


def test_within_one_document_a_breaking_correction_is_named_too():
    found, _ = pointers(course_file(installation(), check(), retraction("rt-1", "in-1")))
    assert found == {"/entries/2/retracts"}


def test_after_an_outcome_only_earlier_entries_and_corrections_are_taken():
    known = known_of(course_file(installation(), check(), removal(), outcome()))
    assert review_entries(check("ch-0", "2026-03-02T19:00:00+01:00"), known, NOW).entries
    assert review_entries(retraction("rt-1", "ch-1", "2026-03-08T10:00:00+01:00"), known, NOW).entries
    late = entry(
        "reconciliation", "rc-1", "2026-03-07T10:00:00+01:00", item="anchors", found=1, left_on_purpose=0,
        unaccounted_escalated=0, responsible=members_of(known.entries[0].entry)["performer"], reason="x",
    )  # fmt: skip
    assert review_entries(late, known, NOW).entries
    assert pointers(check("ch-2", "2026-03-07T10:00:00+01:00"), known)[0] == {"/at"}
    assert pointers(outcome("out-2", "2026-03-07T10:00:00+01:00"), known)[0] == {"/kind"}


def test_a_late_outcome_before_entries_already_charted_is_refused_and_names_them():
    known = known_of(course_file(installation(), check()))
    _, refusal = pointers(outcome(at="2026-03-02T12:00:00+01:00"), known)
    assert [fault.pointer for fault in refusal.faults] == ["/at"]
    assert "ch-1" in refusal.faults[0].detail


def test_a_reconciliation_of_nothing_is_refused():
    nothing = entry(
        "reconciliation", "rc-1", "2026-03-07T10:00:00+01:00", item="anchors", found=0, left_on_purpose=0,
        unaccounted_escalated=0, responsible={"identifier": {"system": "urn:a:b", "value": "1"}}, reason="x",
    )  # fmt: skip
    assert pointers(nothing, known_of(course_file(installation())))[0] == {"/found"}


def test_a_closing_time_after_its_entry_is_refused():
    document = course_file(installation(), outcome(closed_at="2026-03-06T12:00:01+01:00"))
    assert pointers(document)[0] == {"/entries/1/closed_at"}


def test_the_digest_is_that_of_the_content_not_of_its_spelling():
    assert digest_of({"a": 20, "b": Decimal("1.50")}) == digest_of({"b": Decimal("1.5"), "a": Decimal("20.0")})


def test_markup_and_any_script_are_text():
    note = "<b>pain</b> \u202eabc 😀\nnew line\ttab"
    assert review_course_file(course_file(installation(note=note)), Known(), NOW).entries[0].charted.entry.note == note


def test_arrival_numbers_go_on_from_what_is_known():
    known = known_of(course_file(installation()))
    assert review_entries([check(), reset()], known, NOW).entries[1].charted == Charted(
        entry_of(review_entries([check(), reset()], known, NOW).entries[1].body), 3
    )
