"""Gap profile, area, fractions. G numbers name rows of the check values; their sources stand beside each check."""

import math
from collections.abc import Callable
from datetime import UTC, datetime
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.clinic.gap import (
    GapMetrics,
    baseline_of,
    closure_fraction,
    ellipse_area_cm2,
    gap_at,
    gap_metrics,
    is_comparable,
    open_area_cm2,
    parallelism,
    trapezoid,
    widest_station,
)

AT = datetime(2031, 3, 4, 8, 0, tzinfo=UTC)
L, W = 200, 60  # mm
Readings = list[tuple[Decimal, Decimal]]


def profile(*pairs: tuple[float | str, float | str]) -> Readings:
    return [(Decimal(str(s)), Decimal(str(g))) for s, g in pairs]


def sampled(shape: Callable[[float], float], n: int) -> Readings:
    xs = [L * i / (n - 1) for i in range(n)]
    return profile(*((x, round(W * shape(2 * x / L - 1), 12)) for x in xs))


def ellipse(xi: float) -> float:
    return math.sqrt(max(0.0, 1 - xi * xi))


def parabola(xi: float) -> float:
    return 1 - xi * xi


def of(readings: Readings, **more: object) -> GapMetrics:
    return gap_metrics("e1", AT, readings, Decimal(L), **more)  # type: ignore[arg-type]  # keywords differ by test


@pytest.mark.parametrize(
    ("n", "cm2"), [(5, 81.9615), (7, 87.5266), (9, 89.8713), (11, 91.1115), (21, 93.1355), (41, 93.8539)]
)
def test_the_trapezoid_over_an_ellipse_is_low_by_the_known_amount(n: int, cm2: float) -> None:
    area, method = open_area_cm2(sampled(ellipse, n), Decimal(L))  # G2, NumPy
    assert float(area) == pytest.approx(cm2, abs=1e-4)
    assert float(area) < math.pi / 4 * 20 * 6  # G1
    assert method == "profile"


@pytest.mark.parametrize("n", [5, 7, 9, 11, 21, 41])
def test_the_trapezoid_over_a_parabola_follows_its_formula(n: int) -> None:
    area, _ = open_area_cm2(sampled(parabola, n), Decimal(L))  # G4: 80 (1 - 1/(n-1)²)
    assert float(area) == pytest.approx(80 * (1 - 1 / (n - 1) ** 2), abs=1e-9)


@pytest.mark.parametrize(
    ("shape", "cm2"),
    [(ellipse, 94.247780), (parabola, 80), (lambda xi: math.cos(math.pi * xi / 2), 76.394373),
     (lambda xi: 1 - abs(xi), 60), (lambda xi: 1, 120)],
)  # fmt: skip
def test_the_area_comes_to_the_exact_one_with_many_stations(shape: Callable[[float], float], cm2: float) -> None:
    area, _ = open_area_cm2(sampled(shape, 4001), Decimal(L))  # G1, calculus
    assert float(area) == pytest.approx(cm2, rel=1e-5)


def test_uneven_stations_give_the_known_trapezoid() -> None:
    uneven = profile(*((10 * x, 60 * (1 - (2 * x / 20 - 1) ** 2)) for x in (0, 2, 5, 9, 14, 17, 20)))
    assert float(trapezoid(uneven)) / 100 == pytest.approx(77.22, abs=5e-3)  # G5


def test_the_small_table_gives_its_area_and_mean_gap() -> None:
    gaps = (0.0, 2.0, 4.0, 5.0, 4.5, 2.5, 0.0)  # G6: x = 0, 3 ... 18
    small = profile(*zip(range(0, 21, 3), gaps, strict=True))
    metrics = gap_metrics("e1", AT, small, Decimal(18))
    assert trapezoid(small) == 54
    assert metrics.mean_gap_mm == 3


def test_the_estimate_from_two_lengths_is_pi_quarter_of_their_product() -> None:
    assert float(ellipse_area_cm2(Decimal(42), Decimal(28))) == pytest.approx(9.236282, abs=1e-6)  # G7
    product = 42 * 28 / 100
    assert product / float(ellipse_area_cm2(Decimal(42), Decimal(28))) - 1 == pytest.approx(0.27324, abs=1e-5)  # G8
    area, method = open_area_cm2(profile((20, 28)), Decimal(42))
    assert float(area) == pytest.approx(9.236282, abs=1e-6)
    assert method == "ellipse-estimate"


def test_area_reduction_equals_the_public_worksheet_and_widening_is_negative() -> None:
    reduced = closure_fraction(Decimal("11.76"), Decimal("6.20"))
    assert reduced is not None
    assert float(reduced) == pytest.approx(0.47278912, abs=1e-8)  # G10: 4.2 x 2.8 to 3.1 x 2.0 cm
    assert closure_fraction(Decimal(10), Decimal(12)) == Decimal("-0.2")  # G11
    assert closure_fraction(Decimal(0), Decimal(3)) is None


def test_a_gap_between_stations_is_linear_and_beyond_them_falls_to_0_at_the_end() -> None:
    readings = profile((40, 20), (100, 50), (160, 30))
    for station, gap in ((0, 0), (20, 10), (40, 20), (70, 35), (100, 50), (130, 40), (180, 15), (200, 0)):
        assert gap_at(Decimal(station), readings, Decimal(L)) == gap


def test_a_measured_end_keeps_its_reading() -> None:
    readings = profile((0, 8), (100, 50), (200, 4))
    assert [gap_at(Decimal(s), readings, Decimal(L)) for s in (0, 50, 200)] == [8, 29, 4]
    assert open_area_cm2(readings, Decimal(L))[0] == Decimal("56")


def test_with_one_or_two_stations_the_gap_follows_the_ellipse() -> None:
    for readings in (profile((100, 60)), profile((60, 50), (100, 60))):
        assert [gap_at(Decimal(s), readings, Decimal(L)) for s in (0, 20, 100, 200)] == [0, 36, 60, 0]


def test_no_reading_gives_no_gap() -> None:
    with pytest.raises(ValueError, match="no gap"):
        gap_at(Decimal(3), [], Decimal(L))


def test_of_equal_gaps_the_most_central_is_the_widest() -> None:
    assert widest_station(profile((20, 40), (90, 40), (150, 40)), Decimal(L)) == 90
    assert widest_station(profile((80, 40), (120, 40)), Decimal(L)) == 80


def test_parallelism_of_known_shapes_over_the_middle() -> None:
    # An ellipse has √(1 - 0.6²) = 0.8, a parabola 1 - 0.6² = 0.64 over the middle 60 %: geometry.
    assert parallelism(sampled(ellipse, 11), Decimal(L)) == pytest.approx(Decimal("0.8"))
    assert parallelism(sampled(parabola, 11), Decimal(L)) == pytest.approx(Decimal("0.64"))
    assert parallelism(sampled(lambda xi: 1, 11), Decimal(L)) == 1
    assert parallelism(profile((100, 0), (120, 0)), Decimal(L)) == 1
    assert parallelism(profile((10, 3), (100, 40), (195, 3)), Decimal(L)) is None


@pytest.mark.parametrize(
    ("stations", "comparable"),
    [((40, 160), True), ((110, 160), True), ((111, 160), False), ((20, 90), True), ((20, 89), False), ((100,), True)],
)
def test_a_reading_is_comparable_when_it_saw_the_place_that_was_widest(
    stations: tuple[int, ...], comparable: bool
) -> None:
    assert is_comparable([Decimal(s) for s in stations], Decimal(100)) is comparable


def test_a_reading_of_other_stations_keeps_its_gaps_and_has_no_fractions() -> None:
    baseline = baseline_of(profile((100, 60)), Decimal(L))
    metrics = of(profile((150, 30), (170, 20)), baseline=baseline)
    assert (metrics.comparable, metrics.closure_absent_reason) == (False, "stations-differ")
    assert metrics.max_gap_mm == 30
    assert metrics.closure_fraction is metrics.area_closure_fraction is metrics.closure_fraction_of_widest is None


def test_areas_are_compared_only_when_both_were_found_alike() -> None:
    baseline = baseline_of(profile((100, 60)), Decimal(L))
    metrics = of(profile((50, 20), (100, 45), (150, 20)), baseline=baseline, widest_so_far_mm=Decimal(90))
    assert metrics.closure_fraction == Decimal("0.25")
    assert metrics.area_closure_fraction is None
    assert metrics.closure_fraction_of_widest == Decimal("0.5")
    assert metrics.closure_absent_reason is None


def test_a_first_reading_of_0_leaves_no_fraction_and_says_why() -> None:
    metrics = of(profile((100, 0)))
    assert (metrics.closure_fraction, metrics.closure_absent_reason) == (None, "baseline-closed")


def test_the_first_reading_is_its_own_baseline_whatever_the_order_of_its_stations() -> None:
    metrics = of(profile((150, 20), (50, 20), (100, 45)))
    assert metrics.closure_fraction == metrics.area_closure_fraction == metrics.closure_fraction_of_widest == 0
    assert [s for s, _ in metrics.readings] == [50, 100, 150]


tenths = st.integers(0, 4000).map(lambda n: Decimal(n) / 10)


@st.composite
def readings_of(draw: st.DrawFn, smallest: int = 1) -> Readings:
    stations = sorted(draw(st.sets(st.integers(0, L), min_size=smallest, max_size=9)))
    return [(Decimal(s), draw(tenths)) for s in stations]


@given(readings_of(), readings_of(), st.sampled_from([Decimal("0.1"), Decimal("0.5"), Decimal(2), Decimal(3)]))
def test_scaling_all_widths_leaves_closure_fractions_and_parallelism_unchanged(
    first: Readings, later: Readings, scale: Decimal
) -> None:
    def fractions(factor: Decimal) -> list[Decimal | None]:
        before, now = ([(s, g * factor) for s, g in readings] for readings in (first, later))
        metrics = of(now, baseline=baseline_of(before, Decimal(L)))
        return [metrics.closure_fraction, metrics.area_closure_fraction, metrics.closure_fraction_of_widest,
                metrics.parallelism]  # fmt: skip

    for plain, scaled in zip(fractions(Decimal(1)), fractions(scale), strict=True):
        assert (plain is None) == (scaled is None)
        if plain is not None and scaled is not None:
            assert scaled == pytest.approx(plain, abs=Decimal("1e-20"), rel=Decimal("1e-20"))


@given(readings_of(), st.integers(0, L))
def test_a_gap_anywhere_lies_between_0_and_the_largest(readings: Readings, station: int) -> None:
    assert 0 <= gap_at(Decimal(station), readings, Decimal(L)) <= max(gap for _, gap in readings)


@given(readings_of(3))
def test_a_measured_station_gives_back_its_reading(readings: Readings) -> None:
    assert [gap_at(s, readings, Decimal(L)) for s, _ in readings] == [gap for _, gap in readings]


@given(readings_of())
def test_the_open_area_never_exceeds_length_times_largest_gap(readings: Readings) -> None:
    metrics = of(readings)
    assert 0 <= metrics.open_area_cm2 <= L * metrics.max_gap_mm / 100
    assert metrics.mean_gap_mm <= metrics.max_gap_mm
