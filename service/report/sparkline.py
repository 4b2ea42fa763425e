"""A trend in one line of text, for the terminal."""

from collections.abc import Sequence
from decimal import Decimal

BARS = "▁▂▃▄▅▆▇█"


def sparkline(values: Sequence[Decimal]) -> str:
    """One bar a value, from 0 to the largest; empty without values."""
    most = max(values, default=Decimal(0))
    if most <= 0:
        return BARS[0] * len(values)
    return "".join(BARS[min(len(BARS) - 1, int(value / most * len(BARS)))] for value in values)
