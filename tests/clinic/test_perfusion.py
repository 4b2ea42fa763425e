"""Perfusion difference. C numbers name rows of the check values.

Source: McQueen and Court-Brown, J Bone Joint Surg Br 1996;78-B:99-104 (threshold seen through later papers: perfusion
pressure of 30 mmHg or more taken as safe, J Orthop Trauma 2017;31(4S):S40-7).
"""

from decimal import Decimal

import pytest

from service.clinic.perfusion import is_low, perfusion_difference_mmhg
from service.clinic.policy import default_policy


@pytest.mark.parametrize(
    ("diastolic", "compartment", "difference", "low"),
    [
        (70, 45, 25, True),  # C1
        (75, 45, 30, False),  # C2: the limit is "below 30"
        (50, 60, -10, True),  # C3: never clipped
        (100, 71, 29, True),  # C5: what counts is the difference ...
        (95, 55, 40, False),  # C5: ... not the 40 mmHg absolute in the compartment
    ],
)
def test_the_difference_and_its_limit(diastolic: int, compartment: int, difference: int, low: bool) -> None:
    found = perfusion_difference_mmhg(Decimal(diastolic), Decimal(compartment))
    assert found == difference
    assert found is not None
    assert is_low(found, default_policy()) is low


def test_the_limit_in_another_unit() -> None:
    # C4, UCUM: 30 mm[Hg] = 3.99966 kPa with 1 mm[Hg] = 133.322 Pa.
    assert float(default_policy().perfusion_min_mmhg) * 0.133322 == pytest.approx(3.99966, abs=1e-5)


@pytest.mark.parametrize(("diastolic", "compartment"), [(None, Decimal(30)), (Decimal(70), None), (None, None)])
def test_half_a_pair_gives_nothing(diastolic: Decimal | None, compartment: Decimal | None) -> None:
    assert perfusion_difference_mmhg(diastolic, compartment) is None
