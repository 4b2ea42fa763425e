"""A remembered course is the course: whoever goes on from memory says and stores what a fresh start would.

The oracle is the same service without memory: views, what the review knows, and `differences`, which projects every
course afresh from its entries. Readings are invented.
"""

import random
from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec import structs

from service.config import Settings
from service.fhir.build.context import Frame
from service.intake.faults import Refused
from service.store.courses import CourseReads
from service.workflow import open_workflow
from service.workflow.remembering import Memory
from tests.intake.documents import check, course, installation
from tests.random_courses import course_files

NOW = datetime(2026, 11, 1, tzinfo=UTC)


def opened_at(database_url):
    return open_workflow(Settings(database_url=database_url, synchronous="OFF"))


def recalled(workflow, memory, course_id):
    with workflow.store.read("demo") as unit:
        return memory.recall(unit, workflow.site, course_id)


def alike(one, other):
    """What two memories say of a course; folds are compared by all that they can be asked."""
    for name in ("as_sent", "last"):
        assert list(getattr(one, name)) == list(getattr(other, name)), name
    assert list(one.known.entries) == list(other.known.entries)
    assert (one.known.digests, one.known.course_digest) == (other.known.digests, other.known.course_digest)
    assert one.known.judged.across == other.known.judged.across
    assert list(one.known.judged.stands) == list(one.folded.entries) == list(other.folded.entries)
    mine, fresh = one.folded.fold, other.folded.fold
    assert mine.summary(NOW) == fresh.summary(NOW)
    assert mine.episodes(NOW) == fresh.episodes(NOW)
    assert mine.reset_periods() == fresh.reset_periods()


def assert_as_fresh(workflow, course_id):
    alike(recalled(workflow, workflow.memory, course_id), recalled(workflow, Memory(), course_id))
    assert list(workflow.differences(NOW)) == []


@pytest.mark.slow
@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
@given(document=course_files(most=7), seed=st.integers(0, 99))
def test_processes_that_write_in_turn_remember_what_a_fresh_start_finds(document, seed, tmp_path_factory):
    """Each entry in any order by one of three processes, the third of which has room for two entries in its memory."""
    chance, name = random.Random(seed), document["course"]["course_id"]
    url = f"sqlite:///{tmp_path_factory.mktemp('turns')}/turns.sqlite3"
    processes = [opened_at(url) for _ in range(3)]
    processes[2].memory.most_entries = 2
    processes[0].record_course(document | {"entries": []}, NOW)
    waiting = chance.sample(document["entries"], len(document["entries"]))
    while waiting:
        entry = waiting.pop(0)
        try:
            processes[chance.randrange(3)].record_entries(name, entry, NOW)
        except Refused:
            waiting.append(entry)  # what it builds on is still to come
        views = [process.course_view(name, NOW) for process in chance.sample(processes, 2)]
        assert views[0] == views[1]
    for process in processes:
        assert_as_fresh(process, name)
        process.close()


def later_check(number, **changes):
    return check(f"c{number}", f"2026-03-{3 + number:02}T10:00:00+01:00", **changes)


@pytest.fixture
def workflow(database_url):
    workflow = opened_at(database_url)
    workflow.record_course({"course": course(), "entries": [installation(), later_check(0)]}, NOW)
    yield workflow
    workflow.close()


def test_entries_that_others_appended_are_taken_on(workflow, database_url):
    other = opened_at(database_url)
    other.record_entries("alder-1", later_check(1), NOW)
    assert_as_fresh(workflow, "alder-1")
    late = check("late", "2026-03-02T12:00:00+01:00")
    other.record_entries("alder-1", [late, later_check(2)], NOW)
    assert_as_fresh(workflow, "alder-1")
    workflow.record_entries("alder-1", later_check(3), NOW)
    assert_as_fresh(other, "alder-1")
    other.close()


def test_a_write_that_fails_at_the_end_leaves_no_memory_that_is_believed(workflow):
    def written_and_lost():
        with workflow.store.write("demo", NOW) as unit:
            workflow.record_entries_within(unit, "alder-1", later_check(1), NOW)
            raise ConnectionError

    with pytest.raises(ConnectionError):
        written_and_lost()
    assert_as_fresh(workflow, "alder-1")
    workflow.record_entries("alder-1", later_check(1, gaps=[{"station_mm": 80, "gap_mm": 30}]), NOW)
    assert_as_fresh(workflow, "alder-1")


def test_a_course_file_with_another_header_is_not_answered_from_memory(workflow):
    named = course(patient=course()["patient"] | {"family": "Quill", "given": ["Ada"]})
    assert workflow.record_course({"course": named, "entries": []}, NOW).changed
    assert_as_fresh(workflow, "alder-1")
    assert recalled(workflow, workflow.memory, "alder-1").folded.course.patient.family == "Quill"


def test_memory_keeps_the_courses_asked_for_last_and_no_more_than_its_room(workflow):
    workflow.memory.most_entries = 5
    for name in ("b", "c", "d"):
        patient = {"identifier": {"system": "https://alder-bay.example/mrn", "value": name}}
        opened = course(course_id=name, patient=patient)
        workflow.record_course({"course": opened, "entries": [installation(), later_check(0)]}, NOW)
    held = workflow.memory._courses
    assert list(held) == ["c", "d"]
    recalled(workflow, workflow.memory, "c")
    recalled(workflow, workflow.memory, "b")
    assert list(held) == ["c", "b"]
    assert workflow.memory._entries == 4


def test_a_course_that_is_remembered_is_not_read_again(workflow, monkeypatch):
    asked = []
    entries = CourseReads.entries

    def counting(unit, course_id, *, after=0):
        found = entries(unit, course_id, after=after)
        asked.append(len(found))
        return found

    monkeypatch.setattr(CourseReads, "entries", counting)
    for number in range(1, 6):
        workflow.record_entries("alder-1", later_check(number), NOW)
    assert asked == [1] * 5  # the one entry by which the memory is recognised


def test_with_another_policy_everything_is_worked_out_anew(workflow):
    workflow.course_view("alder-1", NOW)
    policy = structs.replace(workflow.site.policy, stretch_low=Decimal("1.9"))
    frame = Frame("demo", policy, workflow.site.frame.terms, "1")
    other = replace(workflow, site=structs.replace(workflow.site, policy=policy, frame=frame))
    fresh = replace(other, memory=Memory())
    assert (
        other.course_view("alder-1", NOW) == fresh.course_view("alder-1", NOW) != workflow.course_view("alder-1", NOW)
    )
