"""Event numbers: raised in the commit that stores, without a gap, whoever writes and whatever fails. Both databases."""

import threading

import pytest

from service.store.subscription_matching import matches
from service.store.subscription_rows import events_between, find_subscription
from tests.intake.documents import check, retraction


class BrokenOff(RuntimeError):
    """A write that does not come to its end."""


def events(side, id_):
    with side.database.read() as connection:
        return events_between(connection, side.settings.site, id_, 1, 1_000_000, 1_000)


def row(side, id_):
    with side.database.read() as connection:
        return find_subscription(connection, side.settings.site, id_)


def test_each_charted_check_is_one_event_with_the_next_number(side):
    id_ = side.active()
    for number in (1, 2, 3):
        side.chart(number)
    found = events(side, id_)
    assert [each.number for each in found] == [1, 2, 3]
    assert {each.type for each in found} == {"Observation"}
    assert row(side, id_).events == 3


def test_a_repeated_reading_is_no_event_and_a_retraction_is_one(side):
    id_ = side.active()
    side.chart(1)
    assert len(events(side, id_)) == 1
    side.workflow.record_entries(
        "alder-1", check("ch-1", "2026-03-03T20:00:00+01:00", gaps=[{"station_mm": 80, "gap_mm": 49}]), side.clock()
    )
    assert len(events(side, id_)) == 1
    side.clock.forward(seconds=1)
    side.workflow.record_entries("alder-1", retraction("re-1", "ch-1", "2026-03-09T10:00:00+01:00"), side.clock())
    assert [(each.number, each.version) for each in events(side, id_)] == [(1, 1), (2, 2)]


def test_a_write_that_fails_leaves_no_number_behind(side):
    id_ = side.active()
    side.chart(1)

    second = check("ch-2", "2026-03-04T20:00:00+01:00", gaps=[{"station_mm": 80, "gap_mm": 40}])

    def broken_off():
        with side.workflow.store.write(side.settings.site, side.clock()) as unit:
            side.workflow.record_entries_within(unit, "alder-1", second, side.clock())
            raise BrokenOff

    with pytest.raises(BrokenOff):
        broken_off()
    assert row(side, id_).events == 1
    side.chart(3)
    assert [each.number for each in events(side, id_)] == [1, 2]


def test_filters_let_only_their_events_through(side):
    other = side.active(filters=["patient=somebody-else"])
    mine = side.active(topic="widest-gap", filters=["Observation?status=final,corrected"])
    side.chart(1)
    assert events(side, other) == []
    assert len(events(side, mine)) == 2, "the installation has a widest gap, and so has the check"


def test_nothing_is_counted_before_the_handshake_nor_after_the_end_and_in_error_it_is(side):
    waiting = side.make(topic="alert")
    side.receiver.answers = [500]
    assert side.sender().tell_all_due() == 1
    assert side.read(waiting)["status"] == "error"
    ending = side.active(end="2026-03-09T12:00:01.500Z")
    requested = side.make()
    side.chart(1)  # one second later
    side.chart(2)  # two seconds later: past the end
    assert len(events(side, ending)) == 1
    assert events(side, requested) == []
    assert row(side, waiting).events == len(events(side, waiting))


def test_writers_at_once_give_every_number_once(side):
    id_ = side.active()
    side.chart(1)
    faults = []

    def charted(number):
        try:
            entry = check(
                f"many-{number}",
                f"2026-03-04T{10 + number}:00:00+01:00",
                gaps=[{"station_mm": 80, "gap_mm": 30 + number}],
            )
            side.workflow.record_entries("alder-1", entry, side.clock())
        except Exception as fault:
            faults.append(fault)

    threads = [threading.Thread(target=charted, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    found = events(side, id_)
    assert [each.number for each in found] == list(range(1, len(found) + 1))
    assert row(side, id_).events == len(found) >= 7


@pytest.mark.parametrize(
    ("conditions", "expected"),
    [
        ([], True),
        ([["status", ["active", "inactive"]]], True),
        ([["status", ["inactive"]]], False),
        ([["subject", ["Patient/1"]], ["code", ["s|c"]]], True),
        ([["code", ["c"]]], True),
        ([["code", ["other|c"]]], False),
        ([["missing", ["c"]]], False),
    ],
)
def test_conditions_are_held_against_codes_references_and_codings(conditions, expected):
    flag = {
        "resourceType": "Flag",
        "status": "active",
        "subject": {"reference": "Patient/1"},
        "code": {"coding": [{"system": "s", "code": "c"}]},
    }
    assert matches({"type": "Flag", "code": None, "conditions": conditions}, flag) is expected
    assert not matches({"type": "Task", "code": None, "conditions": conditions}, flag)
    assert not matches({"type": "Flag", "code": ["s", "d"], "conditions": []}, flag)
