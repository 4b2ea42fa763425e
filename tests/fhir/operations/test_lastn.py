"""Row 62: the newest of each code. Tables and words from http://hl7.org/fhir/R4/observation-operation-lastn.html."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fhir.operations.lastn import Timed, keys_of, newest_of_each

CODES = {letter: {"coding": [{"system": "urn:own", "code": letter}]} for letter in "abcd"}


def both(*letters):
    return {"coding": [{"system": "urn:own", "code": letter} for letter in letters]}


def rows(*codes_and_times):
    """Newest first, as the function is promised."""
    made = [Timed((place, at), keys_of(code), at) for place, (code, at) in enumerate(codes_and_times)]
    return sorted(made, key=lambda timed: -timed.at)


def groups(*codes):
    """How many groups: with one row of each, those that are given."""
    return len(newest_of_each(rows(*((code, 100 - place) for place, code in enumerate(codes))), 1))


@pytest.mark.parametrize(
    ("codes", "expected"),
    [  # the four rows of the page's table
        ((CODES["a"], CODES["b"], CODES["c"]), 3),
        ((CODES["a"], CODES["b"], both("a", "c")), 2),
        ((CODES["a"], CODES["b"], both("a", "b")), 1),
        (({"text": "textM"}, {"text": "Text"}, {"text": "t e x t"}), 3),
    ],
)
def test_codes_are_grouped_as_in_the_table_of_the_page(codes, expected):
    assert groups(*codes) == expected


def test_a_chain_of_codings_is_one_group_however_long():
    assert groups(both("a", "b"), both("c", "d"), both("b", "c")) == 1


def test_the_same_code_of_another_system_is_another_group():
    assert groups(CODES["a"], {"coding": [{"system": "urn:other", "code": "a"}]}) == 2


def test_without_a_number_of_their_own_only_the_newest_of_each_is_given():
    found = newest_of_each(rows((CODES["a"], 1), (CODES["a"], 3), (CODES["b"], 2), (CODES["a"], 2)), 1)
    assert [at for _, at in found] == [3, 2]


def test_groups_stand_by_their_newest_and_inside_a_group_the_newest_stands_first():
    found = newest_of_each(rows((CODES["a"], 1), (CODES["b"], 9), (CODES["a"], 5), (CODES["b"], 4)), 2)
    assert [at for _, at in found] == [9, 4, 5, 1]


def test_a_tie_at_the_last_place_gives_more_than_were_asked_for():
    # The page: four instead of three where the third and the fourth have the same time.
    found = newest_of_each(rows(*((CODES["a"], at) for at in (9, 8, 7, 7, 6))), 3)
    assert [at for _, at in found] == [9, 8, 7, 7]


def test_nothing_gives_nothing():
    assert newest_of_each([], 3) == []


CODE = st.lists(st.sampled_from("abcd"), min_size=1, max_size=2).map(lambda letters: both(*letters))


@given(st.lists(st.tuples(CODE, st.integers(0, 5)), max_size=12), st.integers(1, 4))
def test_what_is_given_is_what_a_plain_evaluation_of_the_page_gives(given_rows, most):
    made = rows(*given_rows)
    expected = set()
    for timed in made:
        peers = {id(timed)}
        while True:  # whoever shares a code with a peer is a peer
            codes = {key for other in made if id(other) in peers for key in other.keys}
            grown = {id(other) for other in made if set(other.keys) & codes}
            if grown == peers:
                break
            peers = grown
        newer = sum(other.at > timed.at for other in made if id(other) in peers)
        if newer < most:  # its time is that of one of the first `most` places
            expected.add(timed.row)
    assert set(newest_of_each(made, most)) == expected
