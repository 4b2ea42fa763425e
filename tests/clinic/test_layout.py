"""The plan before installation; the worked case is arithmetic by hand. Its rules are common practice, no source."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.clinic.layout import anchor_stations, anchors_per_side, cut_length_mm, layout_plan
from service.clinic.policy import default_policy

D = Decimal
POLICY = default_policy()


@pytest.mark.parametrize(("length", "count"), [("100", 11), ("109.9", 11), ("110", 12), ("10", 2), ("9", 1)])
def test_anchors_stand_an_interval_apart_from_end_to_end(length: str, count: int) -> None:
    assert anchors_per_side(D(length), D(10)) == count


def test_what_is_left_over_is_shared_between_the_ends() -> None:
    assert anchor_stations(D(47), D(10)) == [D("3.5"), D("13.5"), D("23.5"), D("33.5"), D("43.5")]


def test_a_whole_plan_gives_the_figures_worked_out_by_hand() -> None:
    plan = layout_plan(D(100), D(50), POLICY)
    assert (plan.anchors_per_side, plan.anchors, plan.setback_mm, len(plan.bands)) == (11, 22, D("12.5"), 11)
    end, third, middle = plan.bands[0], plan.bands[2], plan.bands[5]
    # ends: gap 0, span 25 mm, target 1.65: 25/1.65 + 100 = 115.1515 mm to cut
    assert (end.gap_mm, end.span_mm, end.target_stretch_ratio) == (D(0), D(25), D("1.65"))
    assert end.cut_length_mm == pytest.approx(D("115.151515"), abs=D("1e-6"))
    # 20 mm: ξ = -0.6, gap 50 x 0.8 = 40; V = 0, so b = 1 and q = 40/50 = 0.8: target 1.65 + 0.3 x 0.8 = 1.89
    assert (third.gap_mm, third.span_mm) == (D(40), D(65))
    assert (third.target_stretch_ratio, third.target_mark_mm) == (D("1.89"), D(19))
    # middle: gap 50, span 75, target 1.95: 75/1.95 + 100 = 138.4615
    assert (middle.target_stretch_ratio, middle.target_mark_mm, middle.order) == (D("1.95"), D("19.5"), 1)
    assert middle.cut_length_mm == pytest.approx(D("138.461538"), abs=D("1e-6"))
    assert plan.band_material_mm == sum(band.cut_length_mm for band in plan.bands)


def test_a_cut_length_leaves_a_tail_at_either_end() -> None:
    assert cut_length_mm(D(60), D("1.5"), D(50)) == 140


@pytest.mark.parametrize(("length", "gap", "rest"), [(0, 5, 10), (100, -1, 10), (100, 5, 0)])
def test_impossible_lengths_are_refused(length: int, gap: int, rest: int) -> None:
    with pytest.raises(ValueError, match="must be above 0"):
        layout_plan(D(length), D(gap), POLICY, D(rest))


def test_more_bands_than_can_be_charted_are_refused() -> None:
    assert layout_plan(D(999), D(50), POLICY).anchors_per_side == 100
    with pytest.raises(ValueError, match="wider anchor interval"):
        layout_plan(D(1000), D(50), POLICY)


@given(st.integers(100, 9999), st.integers(0, 4000), st.integers(20, 500))
def test_every_plan_stays_inside_wound_and_range_and_is_symmetric(length: int, gap: int, rest: int) -> None:
    plan = layout_plan(D(length) / 10, D(gap) / 10, POLICY, D(rest) / 10)
    for band, mirrored in zip(plan.bands, reversed(plan.bands), strict=True):
        assert 0 <= band.station_mm <= plan.length_mm
        assert band.station_mm + mirrored.station_mm == plan.length_mm
        assert POLICY.stretch_low <= band.target_stretch_ratio <= POLICY.stretch_high
        assert POLICY.stretch_low <= band.target_mark_mm / plan.rest_mark_mm <= POLICY.stretch_high
        assert band.gap_mm == pytest.approx(mirrored.gap_mm, abs=D("1e-20"))
        assert band.cut_length_mm > 2 * POLICY.tail_min_mm
