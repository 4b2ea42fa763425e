"""Laws and bench tables against published closed forms and data. R and P numbers name rows of the check values."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.clinic.force import (
    BenchFault,
    BenchTable,
    bench_table,
    hooke,
    mean_relative_force,
    mooney_rivlin,
    neo_hookean,
    pchip_slopes,
    read_bench_table,
    relative_force,
    relative_force_range,
)
from tests.clinic.check_tables import column, rows

stretches = st.floats(0.5, 3)


def test_neo_hookean_stress_equals_the_closed_form() -> None:
    # R1. Treloar, The Physics of Rubber Elasticity, 3rd ed. 1975; values also by felupe 11.3.0 (1.1 to 2.5).
    given_stretches = (1.0, 1.05, 1.1, 1.25, 1.5, 1.75, 2.0, 2.25, 2.5)
    expected = (0, 0.142971, 0.273554, 0.610000, 1.055556, 1.423469, 1.750000, 2.052469, 2.340000)
    assert [neo_hookean(s) for s in given_stretches] == pytest.approx(expected, abs=1e-6)


def test_mooney_rivlin_stress_equals_the_closed_form() -> None:
    # R2. Mooney 1940, Rivlin 1948; values also by felupe 11.3.0.
    expected = (0.107432, 0.234240, 0.394074, 0.520583, 0.630000, 0.823680)
    found = [mooney_rivlin(s, 0.16, 0.04) for s in (1.1, 1.25, 1.5, 1.75, 2.0, 2.5)]
    assert found == pytest.approx(expected, abs=1e-6)


# R4: Treloar, Trans Faraday Soc 1944;40:59-70, as digitised in the felupe repository. R5 to R10: least squares on it.
# Columns: law, largest stretch used, parameters, rms, worst relative error.
FITS = [
    ("neo", 2.0, (0.3326,), 0.0254, 0.233),
    ("neo", 1.6, (0.3570,), 0.0122, 0.176),
    ("neo", 2.5, (0.3120,), 0.0305, 0.280),
    ("mooney", 2.0, (0.0828, 0.1372), 0.0031, 0.021),
    ("mooney", 2.5, (0.1043, 0.1038), 0.0088, 0.049),
    ("hooke", 2.0, (0.6414,), 0.0573, 0.497),
]
BASES: dict[str, list[Any]] = {
    "neo": [neo_hookean],
    "mooney": [lambda s: mooney_rivlin(s, 1, 0), lambda s: mooney_rivlin(s, 0, 1)],
    "hooke": [hooke],
}


@pytest.mark.parametrize(("law", "upto", "parameters", "rms", "worst"), FITS)
def test_laws_fitted_to_measured_rubber_give_the_known_parameters(
    law: str, upto: float, parameters: tuple[float, ...], rms: float, worst: float
) -> None:
    table = [row for row in rows("treloar_1944_uniaxial.csv") if 1 < float(row["stretch"]) <= upto]
    measured = np.array(column(table, "nominal_stress_kgf_cm2")) * 0.0980665  # kgf/cm2 in MPa
    design = np.array([[basis(s) for basis in BASES[law]] for s in column(table, "stretch")])
    fitted = np.linalg.lstsq(design, measured, rcond=None)[0]
    residual = design @ fitted - measured
    assert fitted == pytest.approx(parameters, abs=1e-4)
    assert math.sqrt(float(np.mean(residual**2))) == pytest.approx(rms, abs=1e-4)
    assert float(np.max(np.abs(residual) / measured)) == pytest.approx(worst, abs=1e-3)


def test_relative_force_and_its_edges_equal_the_table_of_laws() -> None:
    # R11, closed forms computed with NumPy 2.4.6.
    for row in rows("relative_force_by_law.csv"):
        stretch = float(row["stretch"])
        assert relative_force(stretch) == pytest.approx(float(row["neo_hookean"]), abs=1e-6)
        low, high = relative_force_range(stretch)
        assert low == pytest.approx(float(row["hooke"]), abs=1e-6)
        assert high == pytest.approx(float(row["mooney_c2c1_1"]), abs=1e-6)
        half = mooney_rivlin(stretch, 1, 0.5) / mooney_rivlin(2.0, 1, 0.5)
        assert half == pytest.approx(float(row["mooney_c2c1_0.5"]), abs=1e-6)


def test_measured_rubber_as_a_bench_table_gives_the_column_of_the_table_of_laws() -> None:
    # R11, column treloar_natural_rubber: PCHIP through the Treloar points, normed at 2.0.
    table = rows("treloar_1944_uniaxial.csv")
    bench = bench_table("Treloar 1944", column(table, "stretch"), column(table, "nominal_stress_MPa"))
    at_two = bench.force_n(2.0)
    assert at_two is not None
    for row in rows("relative_force_by_law.csv"):
        found = bench.force_n(float(row["stretch"]))
        assert found is not None
        assert found / at_two == pytest.approx(float(row["treloar_natural_rubber"]), abs=2e-6)


def test_the_mean_force_of_five_bands_is_that_of_the_worked_case() -> None:
    # S8: forces .603175, .852205, 1, .852205, .603175; sum 3.910758.
    assert mean_relative_force([1.5, 1.8, 2.0, 1.8, 1.5]) == pytest.approx(0.782152, abs=1e-6)
    assert mean_relative_force([]) is None


@given(stretches, stretches)
def test_a_tighter_band_never_has_a_lower_force(a: float, b: float) -> None:
    low, high = sorted((a, b))
    assert relative_force(low) <= relative_force(high)
    assert relative_force_range(low)[0] <= relative_force_range(high)[0]
    assert relative_force_range(low)[1] <= relative_force_range(high)[1]
    if low > 1 and high - low > 1e-6:
        assert relative_force(low) < relative_force(high)


@given(st.floats(0.01, 1))
def test_a_slack_band_has_no_force(stretch: float) -> None:
    assert relative_force_range(stretch) == (0, 0)
    assert relative_force(stretch) == 0


def test_the_force_at_the_maximum_is_the_unit() -> None:
    assert relative_force(2.0) == 1
    assert relative_force_range(2.0) == (1, 1)


RPN14 = rows("pchip_rpn14.csv")


def test_slopes_of_the_monotone_cubic_are_those_of_the_published_data() -> None:
    # P3. RPN-14 data of Fritsch and Carlson, SIAM J Numer Anal 1980;17:238-246.
    slopes = pchip_slopes(column(RPN14, "x"), column(RPN14, "y"))
    assert slopes == pytest.approx(column(RPN14, "expected_slope"), abs=1e-7)
    # P4, hand-sized: weighted harmonic mean rule of Fritsch and Butland 1984.
    assert pchip_slopes((0, 1, 3), (0, 1, 2)) == pytest.approx((7 / 6, 9 / 13, 1 / 6), abs=1e-9)


def _shifted_rpn14() -> tuple[list[float], list[float]]:
    # A bench table starts at (1, 0); RPN-14 starts at 7.99 with 0, and its shape does not depend on where it starts.
    return [x - 6.99 for x in column(RPN14, "x")], column(RPN14, "y")


def test_the_monotone_cubic_gives_the_printed_results() -> None:
    # P1 (printed in the NAG example, 4 decimals), P2 (more digits, SciPy 1.17.1).
    bench = bench_table("RPN-14", *_shifted_rpn14())
    for row in rows("pchip_rpn14_eval.csv"):
        found = bench.force_n(min(float(row["x"]) - 6.99, bench.stretches[-1]))
        assert found == pytest.approx(float(row["nag_printed"]), abs=5e-5)
        assert found == pytest.approx(float(row["scipy"]), abs=2e-8)
    digits = {8.5: 0.11663083, 9.0: 0.33753405, 9.5: 0.68521951, 11.0: 0.98604691}
    assert [bench.force_n(x - 6.99) for x in digits] == pytest.approx(list(digits.values()), abs=1e-7)


def test_the_hand_sized_cubic_has_its_two_known_values() -> None:
    # P4: f(0.5) = 0.5592948718, f(2) = 1.6314102564 through (0,0), (1,1), (3,2); three rows are too few for a site's
    # table, so it is put together here, one to the right since a table starts at stretch 1.
    three = BenchTable("hand", (1.0, 2.0, 4.0), (0.0, 1.0, 2.0), pchip_slopes((1, 2, 4), (0, 1, 2)))
    assert three.force_n(1.5) == pytest.approx(0.5592948718, abs=1e-9)
    assert three.force_n(3.0) == pytest.approx(1.6314102564, abs=1e-9)


BENCH = rows("bench_calibration_example.csv")


def test_a_bench_table_gives_newtons_and_their_inverse() -> None:
    # P5: invented table, expected values by SciPy 1.17.1.
    bench = bench_table("invented", column(BENCH, "stretch"), column(BENCH, "force_N"))
    expected = {1.1: 0.492267, 1.3: 1.262599, 1.4: 1.547029, 1.6: 2.032018, 1.65: 2.140107, 1.9: 2.648857,
                2.1: 3.063829}  # fmt: skip
    assert [bench.force_n(s) for s in expected] == pytest.approx(list(expected.values()), abs=1e-6)
    assert bench.stretch_at(2.0) == pytest.approx(1.585550, abs=1e-6)
    assert bench.stretch_at(1.0) == pytest.approx(1.221832, abs=1e-6)


def test_the_inverse_of_the_neo_hookean_shape_is_found_through_a_dense_table() -> None:
    # R12, SciPy brentq.
    dense = [1 + i / 400 for i in range(801)]
    bench = bench_table("neo-Hookean", dense, [neo_hookean(s) for s in dense])
    found = [bench.stretch_at(f) for f in (0.61, 1.0555556, 1.4, 1.75)]
    assert found == pytest.approx((1.25, 1.5, 1.732977, 2.0), abs=1e-6)


def test_outside_of_the_table_there_is_no_force_and_below_rest_none_at_all() -> None:
    bench = bench_table("invented", column(BENCH, "stretch"), column(BENCH, "force_N"))
    assert bench.force_n(2.25) == pytest.approx(3.4)
    assert bench.force_n(2.2500001) is None
    assert bench.force_n(0.9) == 0
    assert bench.stretch_at(3.41) is None
    assert bench.stretch_at(-0.1) is None


@given(st.floats(1, 2.25), st.floats(1, 2.25))
def test_a_tighter_band_never_has_fewer_newtons(a: float, b: float) -> None:
    bench = BENCH_TABLE
    low, high = sorted((a, b))
    first, second = bench.force_n(low), bench.force_n(high)
    assert first is not None
    assert second is not None
    assert first <= second + 1e-12
    back = bench.stretch_at(first)
    assert back == pytest.approx(low, abs=1e-6)


BENCH_TABLE = bench_table("invented", column(BENCH, "stretch"), column(BENCH, "force_N"))
SOUND = b"""
name = "band of the demo, lot 7"
temperature_c = 33.5
hold_s = 60
pre_stretch = 2.2
rows = [[1.0, 0], [1.25, 1.10], [1.5, 1.80], [1.75, 2.35], [2.0, 2.85], [2.25, 3.40]]
"""


def test_a_sound_file_becomes_a_table_with_its_conditions() -> None:
    bench = read_bench_table(SOUND, "bench.toml")
    assert bench.force_n(1.6) == pytest.approx(2.032018, abs=1e-6)
    assert [key for key, _ in bench.conditions] == ["temperature_c", "hold_s", "pre_stretch"]


@pytest.mark.parametrize(
    ("old", "new", "keys"),
    [
        (b"[1.0, 0], ", b"", {"rows[0]"}),
        (b"[1.5, 1.80]", b"[1.25, 1.80]", {"rows[2]"}),
        (b"[1.5, 1.80]", b"[1.5, 1.10]", {"rows[2]"}),
        (b"[1.5, 1.80]", b"[1.5, nan]", {"rows[2]"}),
        (b"[1.5, 1.80]", b"[1.5, 1.8, 3]", {"rows[2]"}),
        (b"[1.5, 1.80], [1.75, 2.35]", b"[1.75, 2.35], [1.5, 1.8]", {"rows[3]"}),
        (b"hold_s = 60", b"", {"hold_s"}),
        (b"hold_s = 60\n", b"hold = 60\n", {"hold", "hold_s"}),
        (b'name = "band of the demo, lot 7"', b"", {"name"}),
        (b", [1.75, 2.35], [2.0, 2.85], [2.25, 3.40]", b"", {"rows"}),
        (b"rows = [[1.0, 0]", b"rows = [[1.0, 0.1]", {"rows[0]"}),
        (b"rows = ", b"rows = 3 #", {"rows"}),
        (b"rows = ", b"rows", {"(file)"}),
    ],
)
def test_a_malformed_table_is_refused_as_a_whole(old: bytes, new: bytes, keys: set[str]) -> None:
    assert old in SOUND
    with pytest.raises(BenchFault) as refused:
        read_bench_table(SOUND.replace(old, new), "bench.toml")
    assert {fault.key for fault in refused.value.faults} == keys
    assert "bench.toml" in str(refused.value)


def test_every_fault_of_a_table_is_named() -> None:
    with pytest.raises(BenchFault) as refused:
        read_bench_table(b"rows = [[1.0, 0], [1.0, 0], [2, 1], [3, 1]]", "b.toml")
    assert [f.key for f in refused.value.faults] == [
        "name", "temperature_c", "hold_s", "pre_stretch", "rows[1]", "rows[1]", "rows[3]",
    ]  # fmt: skip
