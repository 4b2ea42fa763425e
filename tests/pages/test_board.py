"""The due board over remembered courses: whoever charted, it shows what a fresh look at the record shows."""

import threading
import time
from dataclasses import replace
from datetime import timedelta

from starlette.testclient import TestClient

from service import strict_json
from service.api.pages.board import read_board
from service.workflow.remembering import Memory
from tests.pages.ward import EXAMPLES, load, ward_app

SHOWN = ("course_id", "patient", "place", "status", "due_away", "due_about", "alerts", "last_at", "last_by")


def shown(workflow, now):
    return [{name: getattr(row, name) for name in SHOWN} for row in read_board(workflow, now)]


def afresh(workflow):
    return replace(workflow, memory=Memory())


def test_after_every_entry_and_correction_of_another_process_it_is_what_a_fresh_look_shows(ward):
    other = afresh(ward.workflow)  # a process of its own remembers by itself
    for path in EXAMPLES[::2]:
        document = strict_json.read(path.read_bytes())
        entries = document["entries"]
        for count in range(0, len(entries) + 1, 3):
            load(replace(ward, workflow=other), path, count)
            assert shown(ward.workflow, ward.now) == shown(afresh(ward.workflow), ward.now), (path, count)


def test_time_alone_makes_a_reset_overdue_on_it(ward):
    course = load(ward, EXAMPLES[0], 12)
    (before,) = read_board(ward.workflow, ward.now)
    due_at = before.summary.next_reset.due_at
    assert before.status == "planned"
    (late,) = read_board(ward.workflow, due_at + timedelta(minutes=61))
    assert late.course_id == course
    assert late.status == "overdue"
    assert late.due_away == "1 h 1 min ago"
    assert late.has_high_alert
    (again,) = read_board(ward.workflow, ward.now)  # and nothing of it is remembered
    assert (again.status, again.alerts) == (before.status, before.alerts)


def test_many_tablets_look_at_once_while_somebody_charts(ward):
    load(ward, EXAMPLES[0], 3)
    document = strict_json.read(EXAMPLES[0].read_bytes())
    ward.now += timedelta(days=10)
    faults, ended = [], threading.Event()

    def looks():
        while not ended.is_set():
            try:
                (row,) = read_board(ward.workflow, ward.now)
                assert row.summary.next_reset is not None
            except Exception as fault:
                faults.append(fault)
                return

    tablets = [threading.Thread(target=looks) for _ in range(3)]
    for tablet in tablets:
        tablet.start()
    for entry in document["entries"][3:12]:
        ward.workflow.record_entries("lower-leg-0302", entry, ward.now)
    ended.set()
    for tablet in tablets:
        tablet.join(timeout=20)
    assert faults == []
    assert shown(ward.workflow, ward.now) == shown(afresh(ward.workflow), ward.now)


def test_a_second_look_costs_a_fraction_of_the_first(ward):
    """Within one run: folding again what did not change would cost the same each time."""
    document = strict_json.read(EXAMPLES[0].read_bytes())
    document["entries"] = document["entries"][:12]
    load(ward, EXAMPLES[0], 12)
    for number in range(5):
        document["course"]["course_id"] = f"c-{number}"
        ward.workflow.record_course(document, ward.now)
    fresh = afresh(ward.workflow)

    def seconds():
        begun = time.perf_counter()
        assert len(read_board(fresh, ward.now)) == 6
        return time.perf_counter() - begun

    first = seconds()
    assert min(seconds() for _ in range(5)) < first / 5


def test_its_first_line_counts_what_is_overdue_and_what_has_a_high_alert(ward):
    load(ward, EXAMPLES[1], 2)
    load(ward, EXAMPLES[0], 13)  # sets the clock
    with TestClient(ward_app(ward), base_url=ward.base) as client:
        page = client.get("/ward").text
    assert "2 open courses: 1 reset overdue, 1 course with an alert of high severity." in page
