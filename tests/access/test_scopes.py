"""Scopes as SMART App Launch 2.2.0 defines them (Scopes for requesting FHIR Resources), and the service's own."""

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.access.faults import ScopeFault
from service.access.scopes import LETTER_OF, OWN, parse_scopes, supported_scopes

# The examples that the page itself prints.
PUBLISHED = {
    "system/Observation.rs": {("Observation", "read"), ("Observation", "search-type")},
    "system/*.rs": {("Observation", "read"), ("Patient", "search-type"), ("*", "history-system")},
    "system/Encounter.cud": {("Encounter", "create"), ("Encounter", "patch"), ("Encounter", "delete")},
}
ALL = [(type_, interaction) for type_ in ("Observation", "Patient", "Encounter", "*") for interaction in LETTER_OF]


@pytest.mark.parametrize(("text", "granted"), PUBLISHED.items())
def test_the_published_examples_grant_what_they_say(text, granted):
    scopes = parse_scopes(text)
    for type_, interaction in granted:
        assert scopes.allows(type_, interaction)


def test_reading_one_type_grants_no_other_type_and_no_write():
    scopes = parse_scopes("system/Observation.rs")
    granted = {(type_, interaction) for type_, interaction in ALL if scopes.allows(type_, interaction)}
    assert granted == {
        ("Observation", name) for name in ("read", "vread", "history-instance", "search-type", "history-type")
    } | {("Observation", "search-system"), ("Observation", "history-system")}


def test_a_scope_of_one_type_does_not_grant_searching_all_types():
    assert not parse_scopes("system/Observation.cruds system/Patient.cruds").allows("*", "search-system")


@pytest.mark.parametrize("size", range(1, 6))
def test_every_set_of_letters_in_order_is_a_scope_and_in_another_order_none(size):
    for letters in map("".join, combinations("cruds", size)):
        assert parse_scopes(f"system/Task.{letters}").fhir[0].letters == letters
        if size > 1:
            with pytest.raises(ScopeFault):
                parse_scopes(f"system/Task.{letters[::-1]}")
        with pytest.raises(ScopeFault):
            parse_scopes(f"system/Task.{letters}{letters[-1]}")


@pytest.mark.parametrize(("former", "letters"), [("read", "rs"), ("write", "cud"), ("*", "cruds")])
def test_the_spelling_of_version_1_is_an_alias(former, letters):
    first, second = parse_scopes(f"system/Task.{former}"), parse_scopes(f"system/Task.{letters}")
    assert first.fhir[0].letters == second.fhir[0].letters
    assert str(first) == f"system/Task.{former}"


@pytest.mark.parametrize(
    ("asked", "agreed", "beyond"),
    [
        ("system/Task.r", "system/Task.rs", []),
        ("system/Task.rs", "system/Task.r system/*.s", []),
        ("system/*.r", "system/Task.rs", ["system/*.r"]),
        ("system/Task.c", "system/*.rs", ["system/Task.c"]),
        ("intake:read", "system/*.cruds", ["intake:read"]),
        ("system/Task.r", "intake:read intake:write", ["system/Task.r"]),
        ("system/Task.r intake:write", "system/Task.read intake:read", ["intake:write"]),
    ],
)
def test_what_goes_beyond_the_agreed_scopes_is_named(asked, agreed, beyond):
    assert parse_scopes(asked).within(parse_scopes(agreed)) == beyond


def test_no_own_scope_looks_like_one_of_fhir_and_none_of_fhir_like_an_own_one():
    for own in OWN:
        assert "/" not in own
        assert ":" in own
        with pytest.raises(ScopeFault):
            parse_scopes(f"system/{own}")
    assert parse_scopes("system/*.cruds").own == ()


def test_every_scope_that_discovery_lists_is_understood():
    for scope in supported_scopes(("Observation", "Task")):
        assert str(parse_scopes(scope, ("Observation", "Task"))) == scope


def test_a_type_that_is_not_served_is_named():
    with pytest.raises(ScopeFault, match="not served"):
        parse_scopes("system/Coverage.rs", ("Observation",))


def test_an_interaction_that_no_letter_stands_for_is_not_granted_by_accident():
    with pytest.raises(KeyError):
        parse_scopes("system/*.cruds").allows("*", "transaction")


@given(st.text(max_size=60))
def test_any_text_is_scopes_or_a_scope_fault(text):
    try:
        found = parse_scopes(text)
    except ScopeFault:
        return
    assert parse_scopes(str(found)) == found


def test_types_of_r4_that_are_not_served_are_passed_over_when_a_token_is_asked_for():
    """Clients with a fixed list of types; RFC 6749 3.3 lets a server grant less and say so."""
    asked = parse_scopes("system/Specimen.rs system/Patient.rs", {"Patient"}, pass_over=True)
    assert str(asked) == "system/Patient.rs"
    for text in ("system/Specimen.rs", "system/Nonsense.rs system/Patient.rs"):
        with pytest.raises(ScopeFault):
            parse_scopes(text, {"Patient"}, pass_over=True)
    with pytest.raises(ScopeFault):
        parse_scopes("system/Specimen.rs system/Patient.rs", {"Patient"})
