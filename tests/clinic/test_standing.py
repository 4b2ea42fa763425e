"""Which entries stand. Source: the intake contract, version 1 (corrections, order of entries)."""

from itertools import permutations

from msgspec.structs import replace

from service.clinic.standing import Charted, standing
from tests.clinic.scenario import (
    amendment,
    charted,
    check,
    installation,
    marks,
    outcome,
    reconciliation,
    removal,
    reset,
    retraction,
)


def test_entries_stand_in_the_order_of_their_instants() -> None:
    found = standing(charted(check("c2", 6), installation("i1", 0), check("c1", 3)))
    assert [item.entry.entry_id for item in found] == ["i1", "c1", "c2"]


def test_at_one_instant_the_kind_decides_and_then_the_id() -> None:
    entries = [
        outcome("a", 2),
        reconciliation("b", 2, "bands", found=1),
        removal("c", 2),
        reset("d", 2, 18),
        check("f", 2),
        check("e", 2),
        installation("g", 2),
    ]
    assert [item.entry.entry_id for item in standing(charted(*entries))] == ["g", "e", "f", "d", "c", "b", "a"]


def test_an_entry_without_corrections_is_as_charted() -> None:
    (item,) = standing(charted(installation()))
    assert (item.status, item.entry, item.superseded) == ("as-charted", item.original, ())


def test_the_newest_amendment_stands_whatever_arrived_first() -> None:
    newer = amendment("a2", 9, check("c1", 3, pain_0_10=2))
    older = amendment("a1", 8, check("c1", 3, pain_0_10=1))
    for arrived in permutations([check("c1", 3), newer, older]):
        (item,) = standing(charted(*arrived))
        assert item.status == "amended"
        assert item.entry == newer.entry
        assert [a.entry_id for a in item.amendments] == ["a1", "a2"]
        assert list(item.superseded) == [check("c1", 3), older.entry]


def test_of_two_amendments_at_one_instant_the_later_arrival_stands() -> None:
    one = amendment("a1", 8, check("c1", 3, pain_0_10=1))
    two = amendment("a2", 8, check("c1", 3, pain_0_10=2))
    assert standing(charted(check("c1", 3), one, two))[0].entry == two.entry
    assert standing(charted(check("c1", 3), two, one))[0].entry == one.entry


def test_retracting_an_amendment_brings_back_what_it_amended() -> None:
    first = amendment("a1", 8, check("c1", 3, pain_0_10=1))
    second = amendment("a2", 9, check("c1", 3, pain_0_10=2))
    (item,) = standing(charted(check("c1", 3), first, second, retraction("r1", 10, "a2")))
    assert item.entry == first.entry
    assert item.superseded == (check("c1", 3), second.entry)
    assert [(a.entry_id, r.entry_id) for a, r in item.withdrawn] == [("a2", "r1")]
    (item,) = standing(charted(check("c1", 3), first, retraction("r1", 10, "a1")))
    assert (item.status, item.entry) == ("as-charted", item.original)
    assert item.superseded == (first.entry,)


def test_retracting_an_older_amendment_leaves_the_newest_standing() -> None:
    first = amendment("a1", 8, check("c1", 3, pain_0_10=1))
    second = amendment("a2", 9, check("c1", 3, pain_0_10=2))
    (item,) = standing(charted(check("c1", 3), first, second, retraction("r1", 10, "a1")))
    assert item.entry == second.entry


def test_a_retracted_entry_stays_on_record_with_the_content_that_would_stand() -> None:
    corrected = amendment("a1", 8, check("c1", 3, pain_0_10=1))
    (item,) = standing(charted(check("c1", 3), corrected, retraction("r1", 10, "c1")))
    assert item.status == "retracted"
    assert item.retraction is not None
    assert item.entry == corrected.entry


def test_an_amendment_of_the_time_moves_the_entry_in_the_course() -> None:
    moved = amendment("a1", 8, check("c1", 7, bands=marks(18)))
    found = standing(charted(installation(), check("c1", 3), check("c2", 5), moved))
    assert [item.entry.entry_id for item in found] == ["i1", "c2", "c1"]


def test_the_instant_decides_and_not_the_wall_clock_of_its_offset() -> None:
    late = check("c1", 3)
    early = replace(check("c2", 2), at=check("c2", 2).at.astimezone(None))
    assert [item.entry.entry_id for item in standing([Charted(late, 0), Charted(early, 1)])] == ["c2", "c1"]


def test_a_correction_of_nothing_changes_nothing() -> None:
    assert standing(charted(retraction("r1", 1, "lost"), amendment("a1", 2, check("gone", 1)))) == []
