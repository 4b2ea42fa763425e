"""Small cells: nobody is shown with sex and year of birth that fewer than five share (common practice, no source)."""

from collections import Counter

from hypothesis import given
from hypothesis import strategies as st

from service.deidentify import Cells
from tests.deidentify.releases import names, opened, patient

people = st.lists(st.tuples(st.sampled_from(["male", "female", ""]), st.sampled_from(["1950", "1951", "old", ""])))


@given(people)
def test_whoever_is_shown_with_a_year_shares_it_with_at_least_four_others(listed):
    cells = Cells(listed)
    shown = Counter(cells.shown(cell) for cell in listed)
    assert all(count >= 5 for cell, count in shown.items() if cell != ("", ""))


@given(people)
def test_a_cell_of_five_or_more_is_shown_as_it_is(listed):
    cells = Cells(listed)
    for cell, count in Counter(listed).items():
        if count >= 5 and cell[1]:
            assert cells.shown(cell) == cell


@given(people)
def test_nothing_is_shown_that_is_not_true(listed):
    cells = Cells(listed)
    for sex, year in listed:
        shown_sex, shown_year = cells.shown((sex, year))
        assert shown_sex in (sex, "")
        assert shown_year in (year, "")


def test_a_patient_in_a_small_cell_comes_out_without_year_and_of_few_without_sex():
    many = [patient(birthDate="1980-06-15", gender="male") | {"id": f"m{n}"} for n in range(400)]
    few = [patient(birthDate="1922-05-01", gender="female") | {"id": f"f{n}"} for n in range(3)]
    tables = opened("research")
    made_by = tables.deidentifier(names(), tables.cells(names(), [*many, *few]))
    shown = [made_by.resource(each, each["id"]) for each in few]
    assert all(not {"gender", "birthDate", "extension"} & each.keys() for each in shown)
    assert {made_by.resource(each, each["id"])["birthDate"] for each in many} <= {"1978", "1979", "1980"}


def test_safe_harbor_guards_no_cells():
    assert opened("safe-harbor").cells(names(), [patient()]) is None
