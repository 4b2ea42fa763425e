"""When a noisy process first comes down to a level, its speed and noise known only from a few steps: closed form.

Model (one process). The distance still to go is d; the process moves towards it with speed v and Wiener noise of
variance σ² per day, so the time T of first arrival has the inverse Gaussian law of mean d/v and shape d²/σ² (Chhikara
and Folks 1989), and for v <= 0 it arrives at all only with chance exp(-2 |v| d/σ²). Of v and σ² we know what m steps
over T0 days show: S/σ² has a χ² distribution with ν degrees of freedom, v is normal about v̂ with variance σ²/T0.

Averaging over v and σ² needs no draws. Given σ², P(T <= t | v) = Φ((vt - d)/(σ√t)) + exp(2vd/σ²) Φ(-(d + vt)/(σ√t))
is averaged over the normal v term by term, the second by completing the square: with u = t + t²/T0,
    Φ((v̂t - d)/(σ√u)) + exp(2v̂d/σ² + 2d²/(σ²T0)) Φ(-(d + (v̂ + 2d/T0)t)/(σ√u)).
Averaged over σ² the first is Student's t distribution function at (v̂t - d)/√(uS/ν), and the second, written with polar
coordinates, is C ∫_b^∞ (A + w²)^(-(ν+1)/2) dw with A = 1 - 4d(v̂ + d/T0)/S, b = (d + (v̂ + 2d/T0)t)/√(uS) and
C = Γ((ν+1)/2)/(√π Γ(ν/2)). The tests compare it with Monte Carlo draws of the model as stated.
"""

import math
from collections.abc import Callable
from functools import lru_cache
from math import sqrt

from msgspec import Struct

# Twelve of the 24 Gauss-Legendre nodes on [-1, 1] and their weights; the others mirror them.
# Abramowitz and Stegun, Handbook of Mathematical Functions, table 25.4; a test recomputes them.
GAUSS_LEGENDRE = (
    (0.06405689286260563, 0.12793819534675216),
    (0.1911188674736163, 0.12583745634682830),
    (0.3150426796961634, 0.12167047292780339),
    (0.4337935076260451, 0.11550566805372560),
    (0.5454214713888395, 0.10744427011596563),
    (0.6480936519369756, 0.09761865210411388),
    (0.7401241915785544, 0.08619016153195328),
    (0.8200019859739029, 0.07334648141108030),
    (0.8864155270044010, 0.05929858491543678),
    (0.9382745520027328, 0.04427743881741981),
    (0.9747285559713095, 0.02853138862893366),
    (0.9951872199970213, 0.01234122979998720),
)
NEGLIGIBLE = 36  # exp(-36) of the integral is left out at its thin end


def student_cdf(x: float, nu: int) -> float:
    """Student's t distribution function for whole degrees of freedom, by the finite trigonometric series.

    Abramowitz and Stegun 26.7.3 and 26.7.4. Needs nu >= 1; absolute error of the order of 1e-15.
    """
    theta = math.atan(x / math.sqrt(nu))
    sine, cosine = math.sin(theta), math.cos(theta)
    square = cosine * cosine
    odd = nu % 2
    term, total = (cosine, 0.0) if odd else (1.0, 0.0)
    for k in range(1 + odd, nu, 2):
        total += term
        term *= square * k / (k + 1)
    if odd:
        return 0.5 + (theta + sine * total) / math.pi
    return 0.5 + sine * total / 2


@lru_cache(maxsize=256)
def _normalising(nu: int) -> float:
    return math.exp(math.lgamma((nu + 1) / 2) - math.lgamma(nu / 2)) / math.sqrt(math.pi)


@lru_cache(maxsize=256)
def _nodes(nu: int) -> tuple[tuple[float, float], ...]:
    """(x², weight x^(ν-1)) over the part of [0, 1] in which x^ν is more than exp(-36)."""
    start = math.exp(-NEGLIGIBLE / nu)
    half, middle = (1 - start) / 2, (1 + start) / 2
    return tuple(
        (x * x, weight * half * x ** (nu - 1))
        for node, weight in GAUSS_LEGENDRE
        for x in (middle - half * node, middle + half * node)
    )


def tail_integral(nu: int, a: float, b: float) -> float:
    """C ∫ over w from b to ∞ of (a + w²)^(-(ν+1)/2), with a + b² >= 1; 1 - Student's distribution function for a = 1.

    For `a` near or above 1 by Student's distribution function. Below, where b > 0, with w² = R/x² - a and R = a + b²
    it is C R^((1-ν)/2) ∫ over x from 0 to 1 of x^(ν-1)/√(R - a x²), smooth, by 24 fixed nodes.
    """
    if a >= math.exp(-4 / nu):
        upper = student_cdf(-b * math.sqrt(nu / a), nu)
        return float(a ** (-nu / 2)) * upper
    r = a + b * b
    total = math.fsum([weight / sqrt(r - a * square) for square, weight in _nodes(nu)])
    return _normalising(nu) * math.exp((1 - nu) / 2 * math.log(r)) * total


class Process(Struct, frozen=True):
    """What m steps over `observed_days` show of one process; lengths in mm, or in logarithms of mm.

    `distance` is still to go (> 0), `speed` its mean towards it per day, `spread` = S = ν s², `nu` = ν, whole.
    """

    distance: float
    speed: float
    observed_days: float
    spread: float
    nu: int

    def arrived_by(self, days: float) -> float:
        """Chance of having arrived within so many days from now, 0 to 1; 0 for days <= 0."""
        if days <= 0:
            return 0.0
        d, v, t0 = self.distance, self.speed, self.observed_days
        scale = math.sqrt((days + days * days / t0) * self.spread)
        direct = student_cdf((v * days - d) / scale * math.sqrt(self.nu), self.nu)
        a = 1 - 4 * d * (v + d / t0) / self.spread
        b = (d + (v + 2 * d / t0) * days) / scale
        return min(1.0, max(0.0, direct + tail_integral(self.nu, a, b)))  # a last digit may fall outside


def observed_process(
    days: list[float], levels: list[float], level_wanted: float, prior_nu: int, prior_sigma: float
) -> Process:
    """The process that the levels at given days show, with a weak prior for its noise (check values 9.2).

    Speed v = (first - last)/T0; S = Σ (Δ + vτ)²/τ + ν₀σ₀² over the m steps; ν = m - 1 + ν₀. Needs 2 or more rising days
    and a last level above the wanted one (ValueError).
    """
    if len(days) < 2 or levels[-1] <= level_wanted:
        raise ValueError("needs two readings, and a last one above the wanted level")
    t0 = days[-1] - days[0]
    speed = (levels[0] - levels[-1]) / t0
    spread = prior_nu * prior_sigma**2
    for i in range(1, len(days)):
        tau = days[i] - days[i - 1]
        spread += (levels[i] - levels[i - 1] + speed * tau) ** 2 / tau
    return Process(levels[-1] - level_wanted, speed, t0, spread, len(days) - 2 + prior_nu)


def quantile(arrived_by: Callable[[float], float], chance: float, horizon: float, at_horizon: float) -> float | None:
    """Days until a rising chance reaches `chance`, to 1e-6 d; None when it does not within the horizon.

    Bracketing false position (Illinois); `at_horizon` is the chance there, which the caller knows already.
    """
    if at_horizon < chance:
        return None
    low, high, f_low, f_high = 0.0, horizon, -chance, at_horizon - chance
    side = 0
    for step in range(100):
        if high - low < 1e-6 or f_high == 0:
            break
        # Every fourth step halves, so that a steep rise near one end cannot stall the search.
        guess = (low + high) / 2 if step % 4 == 3 else (low * f_high - high * f_low) / (f_high - f_low)
        value = arrived_by(guess) - chance
        if abs(value) < 1e-9:
            return guess
        if value < 0:
            low, f_low = guess, value
            f_high = f_high / 2 if side < 0 else f_high
            side = -1
        else:
            high, f_high = guess, value
            f_low = f_low / 2 if side > 0 else f_low
            side = 1
    return high
