"""How derived figures are shown, and that the glossary is sound."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.clinic.quantities import QUANTITIES, present


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (Decimal("40"), "40"),
        (Decimal("31.0"), "31"),
        (Decimal(1) / 3, "0.333333"),
        (Decimal("0.0000005"), "0"),  # half-even: the even neighbour is 0
        (Decimal("0.0000015"), "0.000002"),
        (Decimal("-0.0000001"), "0"),
        (Decimal("1E+3"), "1000"),
        (0.1, "0.1"),
        (1e-7, "0"),
        (-12.5, "-12.5"),
        (True, "1"),
    ],
)
def test_a_derived_figure_is_shown_to_six_decimals_without_trailing_zeros(value: Decimal | float, shown: str) -> None:
    assert str(present(value)) == shown


@pytest.mark.parametrize("value", [float("nan"), float("inf"), Decimal("NaN"), Decimal("-Infinity")])
def test_what_is_no_figure_is_not_shown(value: Decimal | float) -> None:
    with pytest.raises(ValueError, match="no figure"):
        present(value)


@given(st.decimals(allow_nan=False, allow_infinity=False, min_value=-(10**6), max_value=10**6, places=9))
def test_showing_a_figure_moves_it_by_half_a_millionth_at_most_and_once_only(value: Decimal) -> None:
    shown = present(value)
    assert abs(shown - value) <= Decimal("0.0000005")
    assert present(shown) == shown
    assert "E" not in str(shown)


def test_every_quantity_has_its_own_name_and_a_unit_that_its_name_does_not_contradict() -> None:
    # UCUM codes: https://ucum.org/ucum ; "cm2" and "mm/d" are UCUM terms built from metric atoms.
    for name, quantity in QUANTITIES.items():
        assert quantity.name == name
        assert quantity.definition
        if name.endswith("_mm_per_day"):
            assert quantity.unit == "mm/d"
        elif name.endswith("_mm"):
            assert quantity.unit == "mm"
        elif name.endswith("_cm2"):
            assert quantity.unit == "cm2"
        elif name.endswith("_at"):
            assert quantity.unit == ""
