"""Random courses that obey the intake contract, corrections included, and the order in which they might arrive."""

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from hypothesis import strategies as st
from msgspec.structs import replace

from service.clinic.rules import course_faults
from service.clinic.standing import Charted, standing
from tests.clinic.scenario import (
    amendment,
    at,
    check,
    gaps,
    installation,
    outcome,
    reconciliation,
    removal,
    reset,
    retraction,
)

MARKS = st.sampled_from([5, 12, "14.9", 15, 16, 18, "19.6", 20, 21, 40])
WIDTHS = st.sampled_from([0, "0.5", 4, 20, 40, 44, 48, 60, 61, 200])
STATIONS = st.lists(st.sampled_from([0, 20, 40, 80, 100, 120, 160, 200]), min_size=1, max_size=5, unique=True)
SKIN = st.sampled_from([None, ["intact"], ["blanching"], ["blister", "necrosis"]])
STATUSES = st.sampled_from(["in-place", "in-place", "in-place", "partly-in-place", "dislodged", "removed"])
TRUTH = st.sampled_from([None, True, False])


@st.composite
def gap_lists(draw: st.DrawFn) -> Any:
    places = draw(STATIONS)
    return gaps(*[draw(WIDTHS) for _ in places], stations=places)


@st.composite
def band_lists(draw: st.DrawFn, name: str = "mark_mm") -> Any:
    chosen = draw(st.lists(st.integers(1, 5), min_size=1, max_size=5, unique=True))
    tails = st.sampled_from([None, 0, 49, 50, 80])
    found = [{"band": band, name: draw(MARKS), "tail_mm": draw(tails)} for band in chosen]
    return [{key: _decimal(value) for key, value in one.items() if value is not None} for one in found]


def _decimal(value: Any) -> Any:
    return Decimal(value)


@st.composite
def checks(draw: st.DrawFn, entry_id: str, hours: float) -> Any:
    over: dict[str, Any] = {"device_status": draw(STATUSES), "skin": draw(SKIN)}
    over["vacuum_therapy_in_use"] = draw(TRUTH)
    if draw(st.booleans()):
        over["gaps"] = draw(gap_lists())
    if draw(st.booleans()):
        over["bands"] = draw(band_lists())
    if draw(st.booleans()):
        over["dressing"] = {"changed": draw(st.booleans()), "covers_anchors": draw(TRUTH)}
        for name in ("placed", "removed"):
            over["dressing"][name] = draw(st.sampled_from([None, 0, 1, 2]))
        over["dressing"]["smallest_side_mm"] = draw(st.sampled_from([None, 45]))
    if draw(st.booleans()):
        over["next_dressing_change_at"] = at(hours + draw(st.integers(1, 30)))
    if draw(st.booleans()):
        over["devices_present"] = {"anchors": draw(st.integers(10, 28)), "bands": draw(st.integers(0, 10))}
    if draw(st.booleans()):
        over |= {"diastolic_pressure_mmhg": 70, "compartment_pressure_mmhg": draw(st.sampled_from([20, 45, 80]))}
    return check(entry_id, hours, **over)


@st.composite
def clinical(draw: st.DrawFn, entry_id: str, hours: float) -> Any:
    kind = draw(st.sampled_from(["check", "check", "check", "reset", "reset", "installation", "removal", "reconcile"]))
    if kind == "check":
        return draw(checks(entry_id, hours))
    if kind == "reset":
        return reset(entry_id, hours, *[draw(MARKS) for _ in range(draw(st.integers(1, 5)))])
    if kind == "installation":
        placed = draw(st.sampled_from([None, 0, 1]))
        return installation(entry_id, hours, gaps=draw(gap_lists()), dressings_placed=placed)
    if kind == "removal":
        return removal(entry_id, hours, *(draw(st.integers(0, most)) for most in (28, 10, 3)))
    counts = draw(st.tuples(*[st.integers(0, 2)] * 3).filter(any))
    return reconciliation(entry_id, hours, draw(st.sampled_from(["anchors", "bands", "dressings"])), *counts)


@st.composite
def courses(draw: st.DrawFn) -> list[Any]:
    """Entries of one course in some order, with corrections; every rule of the contract holds for what stands."""
    first = installation("i0", 0, gaps=draw(gap_lists()))
    instants = draw(st.lists(st.sampled_from([h / 2 for h in range(200)]), max_size=12))
    entries = [first] + [draw(clinical(f"e{n}", hours)) for n, hours in enumerate(sorted(instants))]
    if draw(st.booleans()):
        entries.append(outcome("z", 120))
    entries += list(_corrections(draw, entries))
    return [entry for entry in entries if entry is not None]


def _corrections(draw: st.DrawFn, entries: list[Any]) -> Iterator[Any]:
    """Amendments and retractions that break no rule; each at its own instant, so that arrival decides nothing."""
    taken = list(entries)
    for n in range(draw(st.integers(0, 4))):
        target = draw(st.sampled_from([e for e in taken if e.kind != "retraction"]))
        hours = 130 + n
        if target.kind == "amendment" or draw(st.booleans()):
            correction: Any = retraction(f"k{n}", hours, target.entry_id)
        elif target.kind == "check":
            correction = amendment(f"k{n}", hours, draw(checks(target.entry_id, draw(st.integers(1, 119)))))
        else:
            correction = amendment(f"k{n}", hours, replace(target, note="seen by two"))
        if not _breaks([*taken, correction], correction):
            taken.append(correction)
            yield correction


def _breaks(entries: list[Any], correction: Any) -> bool:
    gone = {e.retracts for e in entries[:-1] if e.kind == "retraction"}
    aim = correction.retracts if correction.kind == "retraction" else correction.amends
    if aim in gone:
        return True
    return bool(list(course_faults(standing([Charted(e, n) for n, e in enumerate(entries)]))))
