"""Force of a stretched band: the shape of three laws, and newtons only from a site's own bench table.

Without bench measurements only a force relative to that at stretch ratio 2.0 is given, with the range over three laws.
The range is the shape of the law only, no confidence interval: real unfilled natural rubber lies slightly above it.
Elastic bands relax; some hours after a setting every force here is an upper bound: "at most".
"""

import hashlib
import math
import tomllib
from bisect import bisect_right
from collections.abc import Sequence
from decimal import Decimal
from itertools import pairwise
from typing import Any

from msgspec import Struct

from service.clinic.policy import Fault

NORM_STRETCH = 2.0
MIN_ROWS = 4
OUTSIDE_CALIBRATION = "outside-calibration"
NO_BENCH_TABLE = "no-bench-table"
CONDITIONS = ("temperature_c", "hold_s", "pre_stretch")


def hooke(stretch: float, modulus: float = 1.0) -> float:
    """Nominal stress E(λ - 1), in the unit of E; 0 for λ <= 1, a band cannot push."""
    return modulus * max(0.0, stretch - 1)


def neo_hookean(stretch: float, mu: float = 1.0) -> float:
    """Nominal stress μ(λ - λ⁻²), in the unit of μ; 0 for λ <= 1. Treloar, The Physics of Rubber Elasticity, 1975."""
    return mu * (stretch - stretch**-2) if stretch > 1 else 0.0


def mooney_rivlin(stretch: float, c1: float, c2: float) -> float:
    """Nominal stress 2(λ - λ⁻²)(C1 + C2/λ), in the unit of C1 and C2; 0 for λ <= 1. Mooney 1940, Rivlin 1948."""
    return 2 * neo_hookean(stretch) * (c1 + c2 / stretch) if stretch > 1 else 0.0


NEO_HOOKEAN_NORM = neo_hookean(NORM_STRETCH)
MOONEY_NORM = mooney_rivlin(NORM_STRETCH, 1.0, 1.0)


def relative_force(stretch: float) -> float:
    """φ(λ)/φ(2.0) with φ = λ - λ⁻² (neo-Hookean shape), no unit: 0 for λ <= 1, 1 at 2.0, strictly rising."""
    return neo_hookean(stretch) / NEO_HOOKEAN_NORM


def relative_force_range(stretch: float) -> tuple[float, float]:
    """Smallest and largest relative force over neo-Hookean, Hooke and Mooney-Rivlin with C2/C1 = 1, normed at 2.0."""
    laws = (relative_force(stretch), hooke(stretch), mooney_rivlin(stretch, 1.0, 1.0) / MOONEY_NORM)
    return min(laws), max(laws)


def mean_relative_force(stretches: Sequence[float]) -> float | None:
    """Mean relative force of the bands read (S8); None when none was."""
    return math.fsum(map(relative_force, stretches)) / len(stretches) if stretches else None


class BenchFault(ValueError):
    """A bench table that is refused as a whole; `faults` names every fault of it."""

    def __init__(self, faults: list[Fault]) -> None:
        """Keep the faults and say all of them."""
        self.faults = faults
        super().__init__("; ".join(str(fault) for fault in faults))


class BenchTable(Struct, frozen=True):
    """Force in newtons against stretch ratio as measured on a site's own bands, with the conditions of the test.

    Between the rows a monotone piecewise cubic (PCHIP: Fritsch and Carlson 1980, Fritsch and Butland 1984); outside of
    them nothing. Made by `read_bench_table`, or by `bench_table` from rows already known to be sound.
    """

    name: str
    stretches: tuple[float, ...]
    forces_n: tuple[float, ...]
    slopes: tuple[float, ...]
    conditions: tuple[tuple[str, Decimal], ...] = ()

    @property
    def version(self) -> str:
        """A short digest of rows and conditions: another table shows in whatever was derived with it."""
        rows = [f"{stretch!r} {newtons!r}" for stretch, newtons in zip(self.stretches, self.forces_n, strict=True)]
        lines = [*rows, *(f"{key}={value.normalize():f}" for key, value in self.conditions)]
        return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:12]

    def force_n(self, stretch: float) -> float | None:
        """Force in newtons; 0 for λ <= 1, None above the last row (`outside-calibration`), never extrapolated."""
        if stretch <= 1:
            return 0.0
        if stretch > self.stretches[-1]:
            return None
        left = min(bisect_right(self.stretches, stretch), len(self.stretches) - 1) - 1
        return self._cubic(left, stretch)

    def stretch_at(self, force_n: float) -> float | None:
        """The stretch ratio that gives a force in newtons, the inverse of `force_n`; None outside of the table."""
        if not 0 <= force_n <= self.forces_n[-1]:
            return None
        left = min(bisect_right(self.forces_n, force_n), len(self.forces_n) - 1) - 1
        low, high = self.stretches[left], self.stretches[left + 1]
        while (middle := (low + high) / 2) not in (low, high):  # halving ends at neighbouring floats
            low, high = (middle, high) if self._cubic(left, middle) < force_n else (low, middle)
        return high

    def _cubic(self, left: int, x: float) -> float:
        x0, x1 = self.stretches[left], self.stretches[left + 1]
        y0, y1 = self.forces_n[left], self.forces_n[left + 1]
        h = x1 - x0
        t = (x - x0) / h
        d0, d1 = self.slopes[left] * h, self.slopes[left + 1] * h
        return y0 + t * (d0 + t * (3 * (y1 - y0) - 2 * d0 - d1 + t * (2 * (y0 - y1) + d0 + d1)))


def pchip_slopes(x: Sequence[float], y: Sequence[float]) -> tuple[float, ...]:
    """Slopes at the knots of the monotone cubic through the points (P3, P4), by SciPy.

    SciPy is imported here and not above: it costs hundreds of milliseconds that a site without bench table never pays.
    """
    from scipy.interpolate import PchipInterpolator

    derivative = PchipInterpolator(x, y).derivative()
    return tuple(float(slope) for slope in derivative(x))


def bench_table(
    name: str, stretches: Sequence[float], forces_n: Sequence[float], conditions: tuple[tuple[str, Decimal], ...] = ()
) -> BenchTable:
    """A bench table from sound rows; raises `BenchFault` otherwise."""
    faults = _row_faults([[s, f] for s, f in zip(stretches, forces_n, strict=True)])
    if faults:
        raise BenchFault([Fault(name, key, why) for key, why in faults])
    slopes = pchip_slopes(stretches, forces_n)
    return BenchTable(name, tuple(stretches), tuple(forces_n), slopes, conditions)


def read_bench_table(toml_bytes: bytes, file_name: str) -> BenchTable:
    """A bench table from the bytes of a TOML file: `name`, the conditions of the measurement, and `rows`.

    `temperature_c`, `hold_s` (time held before reading) and `pre_stretch` are required: a force means nothing without
    them. `rows` are [stretch ratio, force in N], at least 4, the first [1.0, 0], both strictly rising. A malformed
    table is refused as a whole and never repaired: `BenchFault` names every fault by file and key.
    """
    try:
        document = tomllib.loads(toml_bytes.decode("utf-8"), parse_float=Decimal)
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as fault:
        raise BenchFault([Fault(file_name, "(file)", f"is not TOML: {fault}")]) from fault
    known = ("name", "rows", *CONDITIONS)
    faults = [(key, "is unknown") for key in document if key not in known]
    if not isinstance(document.get("name"), str) or not document["name"].strip():
        faults.append(("name", "must be text that names the band and the lot"))
    for key in CONDITIONS:
        if not _is_number(document.get(key)):
            faults.append((key, "must be a finite number: the condition under which the force was measured"))
    faults += _row_faults(document.get("rows"))
    if faults:
        raise BenchFault([Fault(file_name, key, why) for key, why in faults])
    stretches, forces = zip(*((float(s), float(f)) for s, f in document["rows"]), strict=True)
    conditions = tuple((key, Decimal(document[key])) for key in CONDITIONS)
    return BenchTable(document["name"], stretches, forces, pchip_slopes(stretches, forces), conditions)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float | Decimal) and not isinstance(value, bool) and math.isfinite(value)


def _row_faults(rows: Any) -> list[tuple[str, str]]:
    if not isinstance(rows, list):
        return [("rows", "must be a list of [stretch ratio, force in N]")]
    faults = [
        (f"rows[{i}]", "must be two finite numbers: stretch ratio, force in N")
        for i, row in enumerate(rows)
        if not (isinstance(row, list) and len(row) == 2 and all(map(_is_number, row)))
    ]
    if len(rows) < MIN_ROWS:
        faults.append(("rows", f"are {len(rows)}, at least {MIN_ROWS} are needed"))
    if faults:
        return faults
    if (rows[0][0], rows[0][1]) != (1, 0):
        faults.append(("rows[0]", "must be [1.0, 0]: no tension at rest"))
    for i, (earlier, later) in enumerate(pairwise(rows), start=1):
        if later[0] <= earlier[0]:
            faults.append((f"rows[{i}]", f"stretch ratio {later[0]} does not rise over {earlier[0]}"))
        if later[1] <= earlier[1]:
            faults.append((f"rows[{i}]", f"force {later[1]} N does not rise over {earlier[1]} N"))
    return faults
