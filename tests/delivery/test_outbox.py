"""The outbox is filled in the commit that stores the entry, in order, for each destination."""

import pytest

from service.store.delivered_rows import Delivered, delivered, note_delivered
from service.store.outbox_rows import queue_everything, waiting_of
from service.store.queue_rows import claim, give_back, next_due, still_held
from service.store.tables import resources
from tests.delivery.ward import NAME, SITE, small_check, small_course
from tests.intake.documents import retraction

URL = "https://record.alder-bay.example/fhir"


def stored_keys(ward):
    with ward.workflow.store.read(SITE) as reading:
        wanted = resources.select().with_only_columns(resources.c.type, resources.c.id)
        return {(row.type, row.id) for row in reading.connection.execute(wanted)}


def test_a_write_waits_for_every_destination_with_all_that_it_changed(ward):
    ward.destination(URL)
    ward.destination(URL, name="archive")
    ward.record(1)
    rows = ward.rows()
    assert [(row.number, row.destination, row.state) for row in rows] == [
        (1, "archive", "waiting"),
        (2, NAME, "waiting"),
    ]
    assert {tuple(key) for key in rows[0].keys} == stored_keys(ward)


def test_without_a_destination_nothing_waits(ward):
    ward.record(1)
    assert ward.rows() == []


def test_a_repeated_reading_changes_nothing_in_the_outbox(ward):
    ward.destination(URL)
    ward.record(1)
    ward.record(1)
    ward.add(1, small_check(1))
    assert len(ward.rows()) == 1


def test_a_write_that_fails_leaves_no_row(ward, monkeypatch):
    ward.destination(URL)
    monkeypatch.setattr("service.workflow.saving._save_state", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        ward.record(1)
    assert ward.rows() == []
    assert stored_keys(ward) == set()


def test_corrections_wait_behind_what_they_correct(ward):
    ward.destination(URL)
    ward.record(1)
    ward.add(1, small_check(2))
    ward.add(1, retraction("rt-1", "ch-2"))
    rows = ward.rows()
    assert [row.number for row in rows] == [1, 2, 3]
    assert len({row.patient for row in rows}) == 1
    assert set(map(tuple, rows[2].keys)) >= {key for key in rows[1].keys if key[0] == "Observation"}


def test_an_overdue_reset_that_nobody_charted_goes_out_too(ward):
    ward.destination(URL)
    ward.clock.move(-6.6 * 86_400)  # the evening after the check, when no reset is overdue yet
    ward.record(1)
    ward.clock.move(14 * 86_400)
    assert ward.workflow.mark_overdue(ward.clock()) == 1
    types = {type_ for type_, _ in ward.rows()[-1].keys}
    assert {"Flag", "Task"} <= types


def test_a_later_destination_can_have_everything_so_far(ward):
    ward.record(1, 2, 9)
    ward.destination(URL)
    with ward.workflow.store.write(SITE, ward.clock()) as unit:
        assert queue_everything(unit, NAME) == 3
    rows = ward.rows()
    assert [(row.course_id, row.keys) for row in rows] == [("alder-1", None), ("alder-2", None), ("alder-9", None)]


def test_two_courses_of_a_patient_wait_in_one_queue(ward):
    ward.destination(URL)
    ward.record(8, 9)
    first, second = ward.rows()
    assert first.patient == second.patient
    with ward.database.read() as connection:
        assert [row.course_id for row in waiting_of(connection, SITE, NAME, first.patient)] == ["alder-8"]


def test_a_lease_is_one_senders_until_it_ends(ward):
    ward.destination(URL)
    ward.record(1)
    with ward.database.write() as connection:
        patient = claim(connection, SITE, NAME, "a", 10**18, 10**18 + 60, 0)
    assert patient is not None
    with ward.database.write() as connection:
        assert claim(connection, SITE, NAME, "b", 10**18, 10**18 + 60, 0) is None
        assert next_due(connection, SITE, NAME) == 10**18 + 60
    with ward.database.write() as connection:
        assert claim(connection, SITE, NAME, "b", 10**18 + 60, 10**18 + 120, 0) == patient
        assert not still_held(connection, SITE, NAME, patient, "a")
        give_back(connection, SITE, NAME, patient, "a", 7)  # too late, and without effect
        assert still_held(connection, SITE, NAME, patient, "b")


def test_on_postgresql_senders_pass_over_one_anothers_queues(postgresql_url):
    from tests.delivery.ward import open_ward

    with open_ward(postgresql_url) as ward:
        ward.destination(URL)
        ward.record(1, 2)
        with ward.database.write() as first, ward.database.write() as second:
            taken = {claim(each, SITE, NAME, str(each), 10**18, 10**18 + 60, 0) for each in (first, second)}
            assert len(taken - {None}) == 2


def test_the_pace_holds_for_all_senders_together(ward):
    ward.destination(URL)
    ward.record(1, 2)
    with ward.database.write() as connection:
        assert claim(connection, SITE, NAME, "a", 10**18, 10**18 + 60, pace_us=1_000_000)
        assert claim(connection, SITE, NAME, "b", 10**18 + 1, 10**18 + 60, pace_us=1_000_000) is None
        assert claim(connection, SITE, NAME, "b", 10**18 + 1_000_000, 10**18 + 2_000_000, pace_us=1_000_000)


def test_what_is_delivered_is_remembered_by_type_and_id(ward):
    ward.destination(URL)
    key, other = ("Observation", "o-1"), ("Flag", "o-1")
    with ward.database.write() as connection:
        note_delivered(connection, SITE, NAME, [Delivered(*key, "77", 1, theirs=False)])
        note_delivered(connection, SITE, NAME, [Delivered(*key, "77", 2, theirs=False)])
        assert delivered(connection, SITE, NAME, [key, other]) == {key: Delivered(*key, "77", 2, theirs=False)}
        assert delivered(connection, SITE, "archive", [key]) == {}


def test_a_course_file_that_is_refused_waits_nowhere(ward):
    ward.destination(URL)
    document = small_course(1)
    document["entries"][0]["gaps"][0]["gap_mm"] = -3
    with pytest.raises(Exception, match="gap_mm"):
        ward.workflow.record_course(document, ward.clock())
    assert ward.rows() == []
