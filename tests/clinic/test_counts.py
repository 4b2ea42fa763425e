"""Items in = items out.

Sources: AORN, Guideline for Prevention of Retained Surgical Items, and The Joint Commission, Sentinel Event Alert 51
(2013): count, reconcile differences, name who answers for them. How found, left and escalated items settle each other
is the project's own rule.
"""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.clinic.counts import Tally
from tests.clinic.scenario import (
    active,
    at,
    check,
    codes,
    folded,
    installation,
    outcome,
    reconciliation,
    removal,
    summary,
)

STEPS = st.one_of(
    st.tuples(st.just("place"), st.integers(0, 40)),
    st.tuples(st.just("take_off"), st.integers(0, 40)),
    st.tuples(st.just("remove"), st.integers(0, 40)),
    st.tuples(st.just("count_present"), st.integers(0, 40)),
    st.tuples(st.just("reconcile"), st.integers(0, 9), st.integers(0, 9), st.integers(0, 9)),
)


def tally_of(steps: list[tuple[Any, ...]]) -> Tally:
    tally = Tally()
    for name, *numbers in steps:
        getattr(tally, name)(*numbers)
    return tally


@given(st.lists(STEPS, max_size=30))
def test_outstanding_is_what_was_placed_less_everything_accounted_for(steps: list[tuple[Any, ...]]) -> None:
    count = tally_of(steps).count()
    assert count.placed == sum(step[1] for step in steps if step[0] == "place")
    assert count.removed == sum(step[1] for step in steps if step[0] in ("take_off", "remove"))
    assert count.found == sum(step[1] for step in steps if step[0] == "reconcile")
    assert count.placed is not None
    assert count.outstanding == (
        count.placed - count.removed - count.found - count.left_on_purpose - count.unaccounted_escalated
    )
    assert count.reconciled == count.found + count.left_on_purpose + count.unaccounted_escalated
    assert count.left_on_purpose >= 0
    assert count.unaccounted_escalated >= 0


@given(st.lists(STEPS, max_size=30))
def test_more_out_than_in_is_never_clipped_and_never_agrees(steps: list[tuple[Any, ...]]) -> None:
    tally = tally_of(steps)
    if tally.balance < 0:
        assert tally.count().outstanding == tally.balance
        assert tally.mismatch != 0


@given(st.integers(1, 40), st.data())
def test_an_item_that_is_lost_and_found_again_counts_once(placed: int, data: st.DataObject) -> None:
    lost = data.draw(st.integers(1, placed))
    tally = tally_of([("place", placed), ("remove", placed - lost), ("reconcile", 0, 0, lost)])
    assert (tally.balance, tally.unaccounted_escalated) == (0, lost)
    tally.reconcile(lost, 0, 0)
    assert (tally.balance, tally.unaccounted_escalated, tally.found, tally.mismatch) == (0, 0, lost, 0)


def test_found_items_settle_escalated_ones_then_those_left_then_missing_ones() -> None:
    tally = tally_of([("place", 10), ("remove", 6), ("reconcile", 0, 1, 1)])
    assert tally.mismatch == 2
    seen = []
    for _ in range(4):
        tally.reconcile(1, 0, 0)
        seen.append((tally.unaccounted_escalated, tally.left_on_purpose, tally.balance))
    assert seen == [(0, 1, 2), (0, 0, 2), (0, 0, 1), (0, 0, 0)]


def test_a_lost_item_that_is_then_left_on_purpose_counts_once() -> None:
    tally = tally_of([("place", 10), ("remove", 9), ("reconcile", 0, 0, 1), ("reconcile", 0, 1, 0)])
    assert (tally.unaccounted_escalated, tally.left_on_purpose, tally.balance) == (0, 1, 0)


def test_accounting_for_an_item_that_nobody_missed_takes_it_from_those_in_place() -> None:
    tally = tally_of([("place", 10), ("reconcile", 1, 1, 1)])
    assert (tally.balance, tally.expected, tally.mismatch) == (7, 7, 0)
    tally.count_present(6)
    tally.reconcile(2, 0, 0)  # finds the escalated one and the one left
    assert (tally.balance, tally.mismatch) == (7, 1)
    assert codes(summary(installation(), reconciliation("k1", 5, "bands", found=1))) == set()


def test_missing_items_are_settled_before_any_that_are_in_place() -> None:
    tally = tally_of([("place", 10), ("count_present", 8), ("reconcile", 1, 0, 0)])
    assert (tally.balance, tally.expected, tally.mismatch) == (9, 8, 1)
    tally.reconcile(2, 0, 0)
    assert (tally.balance, tally.expected, tally.mismatch) == (7, 7, 0)


def test_an_item_too_many_is_not_settled_by_reconciling_another() -> None:
    tally = tally_of([("place", 10), ("count_present", 11), ("reconcile", 0, 0, 1)])
    assert tally.mismatch == -1


def test_a_count_that_agrees_after_the_removal_raises_nothing() -> None:
    state = summary(installation(), removal("r1", 48))
    assert codes(state) == set()
    assert [state.counts.of(item).outstanding for item in ("anchors", "bands", "dressings")] == [0, 0, 0]
    assert state.counts.anchors.placed == 14  # both sides


@pytest.mark.parametrize(
    ("item", "removed"), [("anchors", {"anchors": 13}), ("bands", {"bands": 4}), ("dressings", {"dressings": 0})]
)
def test_an_item_missing_after_the_removal_is_a_mismatch_until_it_is_accounted_for(item: str, removed: Any) -> None:
    entries = [installation(), removal("r1", 48, **removed)]
    (alert,) = active(summary(*entries), "count-mismatch")
    assert (alert.subject, alert.raised_by, alert.severity, alert.observed) == (item, "r1", "high", 1)
    assert f"{item.capitalize()}: " in alert.text
    assert "1 not accounted for" in alert.text
    found = summary(*entries, reconciliation("k1", 49, item, found=1))
    assert codes(found) == set()
    assert found.counts.of(item).outstanding == 0


def test_more_out_than_in_is_a_mismatch_too() -> None:
    state = summary(installation(), removal("r1", 48, bands=6))
    (alert,) = active(state, "count-mismatch")
    assert (alert.subject, alert.observed) == ("bands", -1)
    assert state.counts.bands.outstanding == -1


def test_more_dressings_off_than_on_is_a_mismatch_at_once() -> None:
    dressing = {"changed": True, "placed": 1, "removed": 3}
    state = summary(installation(), check("c1", 12, dressing=dressing))
    (alert,) = active(state, "count-mismatch")
    assert (alert.subject, state.counts.dressings.outstanding) == ("dressings", -1)


def test_an_escalated_item_closes_the_count_and_stays_an_alert_until_it_is_found() -> None:
    entries = [installation(), removal("r1", 48, bands=4), reconciliation("k1", 49, "bands", escalated=1)]
    state = summary(*entries, outcome("o1", 50))
    assert codes(state) == {"item-unaccounted"}
    (alert,) = active(state, "item-unaccounted")
    assert (alert.severity, alert.subject, alert.raised_by) == ("high", "bands", "k1")
    assert codes(summary(*entries, outcome("o1", 50), reconciliation("k2", 60, "bands", found=1))) == set()


def test_an_item_left_on_purpose_stays_an_alert_until_it_is_found() -> None:
    entries = [installation(), removal("r1", 48, anchors=13), reconciliation("k1", 49, "anchors", left=1)]
    state = summary(*entries, outcome("o1", 50))
    assert codes(state) == {"item-left"}
    assert active(state, "item-left")[0].severity == "medium"
    assert codes(summary(*entries, reconciliation("k2", 60, "anchors", found=1))) == set()


def test_a_reinstallation_without_a_removal_adds_to_what_is_in_place() -> None:
    state = summary(installation(), installation("i2", 24))
    assert (state.counts.anchors.outstanding, state.counts.bands.outstanding) == (28, 10)
    assert "count-mismatch" not in codes(state)


def test_a_reinstallation_carries_an_open_mismatch_on() -> None:
    entries = [installation(), removal("r1", 24, anchors=13), installation("i2", 25)]
    (alert,) = active(summary(*entries), "count-mismatch")
    assert (alert.subject, alert.raised_by, alert.observed) == ("anchors", "r1", 1)
    assert "28 placed, 13 removed" in alert.text
    assert codes(summary(*entries, reconciliation("k1", 26, "anchors", found=1))) == set()
    (alert,) = active(summary(*entries, removal("r2", 48)), "count-mismatch")
    assert (alert.raised_by, alert.observed) == ("r1", 1)
    assert codes(summary(*entries, removal("r2", 48, anchors=15))) == set()


@pytest.mark.parametrize("unknown", ["installation", "change"])
def test_one_placement_that_was_not_charted_makes_the_dressings_unknown(unknown: str) -> None:
    first = installation(dressings_placed=None if unknown == "installation" else 1)
    dressing = {"changed": True, "removed": 1} | ({} if unknown == "change" else {"placed": 1})
    state = summary(first, check("c1", 12, dressing=dressing), removal("r1", 48, dressings=0))
    assert (state.counts.dressings.placed, state.counts.dressings.outstanding) == (None, None)
    assert state.counts.dressings.removed == 1
    assert "count-mismatch" not in codes(state)


def test_a_dressing_mismatch_that_was_known_survives_placements_that_are_not() -> None:
    entries = [installation(), removal("r1", 24, dressings=0), installation("i2", 25, dressings_placed=None)]
    assert [alert.subject for alert in active(summary(*entries), "count-mismatch")] == ["dressings"]
    assert [alert.subject for alert in active(summary(*entries, removal("r2", 48, dressings=1)), "count-mismatch")] == [
        "dressings"
    ]
    assert active(summary(*entries, reconciliation("k1", 26, "dressings", found=1)), "count-mismatch") == []


def test_a_dressing_that_stays_out_of_sight_is_not_settled_by_changing_another() -> None:
    entries = [
        installation(dressings_placed=2),
        removal("r1", 24, dressings=1),
        check("c1", 25, device_status="removed", dressing={"changed": True, "placed": 1, "removed": 0}),
        check("c2", 40, device_status="removed", dressing={"changed": True, "placed": 1, "removed": 1}),
    ]
    (alert,) = active(summary(*entries), "count-mismatch")
    assert (alert.subject, alert.observed) == ("dressings", 1)
    both = {"changed": True, "placed": 0, "removed": 2}
    assert active(summary(*entries, check("c3", 50, device_status="removed", dressing=both)), "count-mismatch") == []


def test_a_bedside_count_that_differs_is_a_mismatch_until_a_count_agrees() -> None:
    entries = [installation(), check("c1", 12, devices_present={"anchors": 13, "bands": 5})]
    (alert,) = active(summary(*entries), "count-mismatch")
    assert (alert.subject, alert.observed, alert.limit) == ("anchors", 13, 14)
    assert "13 counted at the bedside where 14 should be" in alert.text
    assert codes(summary(*entries, check("c2", 13, devices_present={"anchors": 14, "bands": 5}))) == set()


def test_a_bedside_mismatch_ends_when_the_missing_item_is_accounted_for() -> None:
    entries = [installation(), check("c1", 12, devices_present={"anchors": 14, "bands": 4})]
    found = summary(*entries, reconciliation("k1", 13, "bands", found=1))
    assert codes(found) == set()
    assert found.counts.bands.outstanding == 4
    assert codes(summary(*entries, reconciliation("k1", 13, "bands", found=1), removal("r1", 20, bands=4))) == set()


def test_a_bedside_mismatch_goes_on_until_every_missing_item_is_accounted_for() -> None:
    entries = [installation(), check("c1", 12, devices_present={"anchors": 14, "bands": 3})]
    (alert,) = active(summary(*entries, reconciliation("k1", 13, "bands", found=1)), "count-mismatch")
    assert (alert.subject, alert.raised_by, alert.observed, alert.observed_by) == ("bands", "c1", 1, "k1")


def test_a_dressing_added_without_a_change_counts_as_placed() -> None:
    added = check("c1", 12, dressing={"changed": False, "placed": 2})
    untouched = check("c2", 13, dressing={"changed": False, "covers_anchors": False})
    assert summary(installation(), added, untouched).counts.dressings.placed == 3


def test_a_removal_charted_late_leaves_a_mismatch_only_of_what_is_missing() -> None:
    entries = [installation(), check("c1", 12, device_status="removed"), removal("r1", 13, anchors=13)]
    assert [alert.subject for alert in active(summary(*entries), "count-mismatch")] == ["anchors"]


def test_counts_not_charted_end_when_every_item_is_accounted_for() -> None:
    entries = [installation(), check("c1", 12, device_status="removed")]
    anchors, bands = reconciliation("k1", 13, "anchors", found=14), reconciliation("k2", 14, "bands", found=5)
    assert [alert.subject for alert in active(summary(*entries, anchors), "count-mismatch")] == ["device"]
    assert active(summary(*entries, anchors, bands), "count-mismatch") == []


def test_a_partial_removal_is_a_mismatch_until_a_count_says_that_the_rest_is_there() -> None:
    entries = [installation(), removal("r1", 12, anchors=4, bands=2, dressings=1)]
    assert {alert.subject for alert in active(summary(*entries), "count-mismatch")} == {"anchors", "bands"}
    assert codes(summary(*entries, check("c1", 13, devices_present={"anchors": 10, "bands": 3}))) == set()
    assert codes(summary(*entries, removal("r2", 14, anchors=10, bands=3, dressings=0))) == set()


def test_a_device_charted_as_removed_without_a_removal_has_its_counts_not_charted() -> None:
    entries = [installation(), check("c1", 12, device_status="removed")]
    (alert,) = active(summary(*entries), "count-mismatch")
    assert (alert.subject, alert.observed) == ("device", "counts not charted")
    assert "14 anchors and 5 bands are outstanding" in alert.text
    assert codes(summary(*entries, removal("r1", 13))) == set()


def test_a_device_charted_as_removed_after_its_removal_raises_nothing() -> None:
    assert codes(summary(installation(), removal("r1", 11), check("c1", 12, device_status="removed"))) == set()


def test_a_partial_removal_and_then_removed_still_leaves_counts_not_charted() -> None:
    counted = check("c1", 13, devices_present={"anchors": 10, "bands": 3})
    entries = [installation(), removal("r1", 12, anchors=4, bands=2), counted]
    (alert,) = active(summary(*entries, check("c2", 14, device_status="removed")), "count-mismatch")
    assert alert.subject == "device"


def test_a_device_charted_in_place_after_all_was_removed_is_a_mismatch() -> None:
    entries = [installation(), removal("r1", 11), check("c1", 12)]
    (alert,) = active(summary(*entries), "count-mismatch")
    assert alert.subject == "device-in-place"
    assert codes(summary(*entries, check("c2", 13, device_status="removed"))) == set()


def test_closing_a_course_with_devices_still_in_by_the_counts_is_a_mismatch_of_each_item() -> None:
    state = summary(installation(), outcome("o1", 48))
    assert {alert.subject for alert in active(state, "count-mismatch")} == {"anchors", "bands", "dressings"}
    settled = [
        reconciliation("k1", 49, "anchors", found=14),
        reconciliation("k2", 49, "bands", left=5),
        reconciliation("k3", 49, "dressings", escalated=1),
    ]
    assert codes(summary(installation(), outcome("o1", 48), *settled)) == {"item-left", "item-unaccounted"}


def test_counts_not_charted_become_a_mismatch_of_each_item_when_the_course_closes() -> None:
    state = summary(installation(), check("c1", 12, device_status="removed"), outcome("o1", 48))
    assert {alert.subject for alert in active(state, "count-mismatch")} == {"anchors", "bands", "dressings"}


def test_every_mismatch_episode_is_named_once() -> None:
    fold = folded(
        installation(),
        removal("r1", 12, anchors=13, bands=4),
        reconciliation("k1", 13, "anchors", found=1),
        installation("i2", 14),
        removal("r2", 30, bands=4),
    )
    keys = [(e.code, e.subject, e.raised_by) for e in fold.episodes(at(40))]
    assert len(keys) == len(set(keys))
