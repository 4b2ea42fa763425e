"""Bedside wording: one short plain sentence for a due reset and one for each band of its plan.

A sentence holds the numbers with their units and limits and says what the plan is. It never orders anything: the local
protocol and the treating surgeon decide.
"""

from collections.abc import Sequence
from datetime import datetime
from decimal import ROUND_FLOOR, ROUND_HALF_EVEN, Decimal

from service.clinic.bands import NOT_READ, BandState
from service.clinic.findings import as_read, bands_in_words, reset_due_clause, shown
from service.clinic.policy import Policy
from service.clinic.resets import DueReset

STATE_WORDS = {"in-range": "in the range", "below-range": "below the range", "above-maximum": "above the maximum"}
HOLD = "hold, surgeon to review"
TENTH = Decimal("0.1")


def reset_sentence(due: DueReset, bands: Sequence[BandState], now: datetime) -> str:
    """When the reset of which bands is due and why, in what order of work, and whether the plan is on hold."""
    verb = "was" if due.status(now) == "overdue" else "is"
    turns = [str(state.band) for state in in_order_of_work(bands)]
    order = f"; order of work from the middle outwards: {bands_in_words(turns)}" if turns else ""
    hold = f"; {HOLD}: skin signs are charted, so no band is planned above its present stretch"
    return f"{reset_due_clause(due, verb)}{order}{hold if any(state.hold for state in bands) else ''}."


def in_order_of_work(bands: Sequence[BandState]) -> list[BandState]:
    """The bands as they are worked on: from the middle outwards, those without an order last."""
    return sorted(bands, key=lambda state: (state.order is None, state.order or 0, state.band))


def band_sentence(state: BandState, policy: Policy) -> str:
    """What one band reads and what the plan for its next setting is, with what speaks against it."""
    parts = [_reading(state, policy), _target(state), _draw(state), _tail(state, policy)]
    hold = HOLD if state.hold else None
    estimate = "predictions for it are an estimate, a gap reading is wanted" if state.span_is_estimate else None
    return "; ".join(part for part in (*parts, hold, estimate) if part is not None) + "."


def _reading(state: BandState, policy: Policy) -> str:
    if state.stretch_ratio is None or state.state == NOT_READ:
        return f"Band {state.band} was not read at the latest check"
    limits = f"{as_read(policy.stretch_low)} to {as_read(policy.stretch_high)}"
    ratio = shown(state.stretch_ratio)
    return f"Band {state.band} reads a stretch ratio of {ratio}, {STATE_WORDS[state.state]} ({limits})"


def _target(state: BandState) -> str:
    if state.target_stretch_ratio is None or state.target_mark_mm is None:
        return "no target can be given"
    ratio, mark = shown(state.target_stretch_ratio), shown(state.target_mark_mm)
    return f"target stretch ratio {ratio}, to the half millimetre a mark of {mark} mm"


def _draw(state: BandState) -> str | None:
    if state.draw_mm is None:
        return None
    if state.draw_mm == 0:
        return "it is at its target mark"
    return f"planned {'draw' if state.draw_mm > 0 else 'let-out'} {_mm(abs(state.draw_mm))} of unstretched band"


def _tail(state: BandState, policy: Policy) -> str | None:
    """A plan that leaves too little tail says so; any other names the tail it leaves."""
    if state.tail_after_mm is None:
        return None
    tail = _mm(state.tail_after_mm, ROUND_FLOOR)
    if not state.tail_after_short:
        return f"tail then {tail}"
    limit = as_read(policy.tail_min_mm)
    return f"that leaves a tail of {tail}, under {limit} mm: a longer band is usually made ready first"


def _mm(length_mm: Decimal, rounding: str = ROUND_HALF_EVEN) -> str:
    """To a tenth of a millimetre, finer than any ruler at the bedside; a tail down, so that a short one reads short."""
    return f"{length_mm.quantize(TENTH, rounding=rounding):f} mm"
