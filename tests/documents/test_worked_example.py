"""The course worked out by hand in docs/worked-example.md: each computation is done again, each result held against
the service. The document is the outside source here; it was computed from the readings and the default policy alone."""

import ast
import math
import operator
import re
from datetime import datetime
from decimal import Decimal
from pathlib import Path

import pytest

from service import strict_json
from service.clinic.bands import predicted_stretch
from service.clinic.course import fold_course
from service.clinic.forecast import least_squares_trend, pooled_processes
from service.clinic.gap import position
from service.clinic.policy import default_policy
from service.clinic.rate import days_between, pair_slopes
from service.clinic.standing import Charted, standing
from service.clinic.summary import course_view
from service.clinic.targets import target_range, target_share
from service.intake.members import read_course, read_entry

ROOT = Path(__file__).parents[2]
DOCUMENT = (ROOT / "docs/worked-example.md").read_text("utf-8")
SENT = strict_json.read((ROOT / "examples/04-dressing-unaccounted-for/course.json").read_bytes())
COURSE = read_course(SENT["course"])
POLICY = default_policy()
HEADING = re.compile(r"^## After the check (e\d\d):", re.MULTILINE)
OPERATORS = {
    ast.Add: operator.add, ast.Sub: operator.sub, ast.Mult: operator.mul, ast.Div: operator.truediv,
    ast.Pow: operator.pow, ast.USub: operator.neg,
}  # fmt: skip
FUNCTIONS = {"sqrt": math.sqrt, "ln": math.log}


def steps():
    """(entry after which it holds, name, computation, result as written), in the order of the document."""
    sections = HEADING.split(DOCUMENT)
    for entry_id, text in zip(sections[1::2], sections[2::2], strict=True):
        for block in re.findall(r"^```calc\n(.*?)^```", text, re.DOTALL | re.MULTILINE):
            for line in block.splitlines():
                name, computation, result = line.split(" = ")
                yield entry_id, name, computation, result


STEPS = list(steps())


def computed(node):
    """The value of a computation made of numbers, + - × / **, sqrt and ln; anything else is an error."""
    match node:
        case ast.Expression(body):
            return computed(body)
        case ast.Constant(int() | float() as number):
            return number
        case ast.BinOp(left, sign, right):
            return OPERATORS[type(sign)](computed(left), computed(right))
        case ast.UnaryOp(sign, operand):
            return OPERATORS[type(sign)](computed(operand))
        case ast.Call(ast.Name(name), [argument]):
            return FUNCTIONS[name](computed(argument))
    raise ValueError(ast.dump(node))


def as_written(result):
    """Equal to the written result to one unit of its last digit, or to the last digits of a long one."""
    unit = 10.0 ** -len(result.partition(".")[2])
    return pytest.approx(float(result), abs=max(unit, 2e-6) if "." in result else 2e-6, rel=1e-6)


def charted_until(entry_id):
    entries = [read_entry(one) for one in SENT["entries"]]
    last = next(place for place, entry in enumerate(entries) if entry.entry_id == entry_id)
    return entries[: last + 1]


def summary_after(entry_id):
    entries = charted_until(entry_id)
    fold = fold_course(COURSE, standing([Charted(one, place) for place, one in enumerate(entries)]), POLICY)
    return fold.summary(entries[-1].at)


AFTER = {entry_id: summary_after(entry_id) for entry_id in ("e02", "e06")}
VIEWS = {entry_id: course_view(COURSE, summary, summary.at) for entry_id, summary in AFTER.items()}


def widest(entry_id):
    return [(e.at, max(gap.gap_mm for gap in e.gaps)) for e in charted_until(entry_id) if getattr(e, "gaps", None)]


def intermediates(entry_id):
    """What the service computes on the way: by the plain functions, from the readings of the example."""
    summary = AFTER[entry_id]
    found = {}
    gaps = [state.gap_mm for state in summary.bands]
    for state in summary.bands:
        xi = position(state.station_mm, COURSE.wound.length_mm)
        q = target_share(xi, state.gap_mm, max(gaps), min(gaps))
        found |= {f"band {state.band} ξ": xi, f"band {state.band} q": q}
        found[f"band {state.band} exact mark"] = state.target_stretch_ratio * state.rest_mark_mm
        found[f"band {state.band} stretch at 28 mm"] = predicted_stretch(
            Decimal(28), summary.installation.setback_mm, state.unstretched_span_mm
        )
        if state.below_range_at is not None:
            hours = (state.below_range_at - summary.gap.at).total_seconds() / 3600
            found[f"band {state.band} hours to low"] = round(hours, 6)
    found["b"] = 1 - min(gaps) / max(gaps)
    found["highest target"] = target_range(Decimal(10), POLICY)[1]
    found["hours from e02 to due"] = (summary.next_reset.due_at - AFTER["e02"].at).total_seconds() / 3600
    return found | of_the_series(entry_id) | {"area at first": AFTER_FIRST.gap.open_area_cm2}


AFTER_FIRST = summary_after("e01")


def of_the_series(entry_id):
    points = widest(entry_id)
    ids = [entry.entry_id for entry in charted_until(entry_id) if getattr(entry, "gaps", None)]
    days = [days_between(points[0][0], at) for at, _ in points]
    levels = [float(gap) for _, gap in points]
    found = {f"days from {ids[0]} to {name}": day for name, day in zip(ids[1:], days[1:], strict=True)}
    for i, first in enumerate(ids):
        for j in range(i + 1, len(ids)):
            (slope,) = pair_slopes([days[i], days[j]], [levels[i], levels[j]])
            found[f"slope {first} to {ids[j]}"] = -slope
    return found | (of_the_forecast(days, levels) if len(points) > 3 else {})


def of_the_forecast(days, levels):
    pooled, trend = pooled_processes(days, levels, float(POLICY.closable_gap_mm)), least_squares_trend(days, levels)
    found = {"degrees of freedom": pooled.linear.nu, "trend slope": trend.slope, "trend p": trend.p}
    for name, process in (("linear", pooled.linear), ("logarithmic", pooled.logarithmic)):
        found |= {f"{name} distance": process.distance, f"{name} speed": process.speed, f"{name} S": process.spread}
    return found


def from_the_service(entry_id, name):
    """What the service says under this name: of a band, of the latest check, or on the way."""
    view = VIEWS[entry_id]
    of_band = re.fullmatch(r"band (\d) (\w+)", name)
    if of_band is not None:
        band = next(one for one in view["bands"] if one["band"] == int(of_band[1]))
        if of_band[2] in band:
            return band[of_band[2]]
    return view["latest"].get(name, intermediates(entry_id).get(name))


# Sums inside one plain function, which does not give them away; what they lead to is compared.
WITHIN = {"mean day", "Sxx", "Sxy", "Syy", "rest", "t"} | {
    f"{law} step {number}" for law in ("linear", "logarithmic") for number in (1, 2, 3)
}


@pytest.mark.parametrize(("entry_id", "name", "computation", "result"), STEPS, ids=lambda part: part[:24])
def test_a_computation_of_the_document_gives_its_written_result(entry_id, name, computation, result):
    tree = ast.parse(computation.replace("×", "*"), mode="eval")
    assert computed(tree) == as_written(result)


@pytest.mark.parametrize(
    ("entry_id", "name", "result"), [(e, n, r) for e, n, _, r in STEPS if n not in WITHIN], ids=lambda part: part[:24]
)
def test_the_service_gives_what_was_worked_out_by_hand(entry_id, name, result):
    found = from_the_service(entry_id, name)
    assert found is not None, f"the service gives nothing under {name}"
    assert float(found) == as_written(result)


def test_the_document_shows_every_step_from_the_reading_to_the_due_time_and_the_forecast():
    names = {re.sub(r"band \d ", "", name) for _, name, _, _ in STEPS}
    assert {
        "stretch_ratio", "open_area_cm2", "closure_fraction", "area_closure_fraction", "parallelism", "span_mm",
        "unstretched_span_mm", "stretch at 28 mm", "gap_at_low_mm", "gap_at_slack_mm", "relative_force", "q",
        "target_stretch_ratio", "target_mark_mm", "draw_mm", "tail_after_mm", "order", "closure_rate_mm_per_day",
        "hours to low", "hours from e02 to due", "linear S", "logarithmic S", "degrees of freedom",
    } <= names  # fmt: skip
    assert all(any(name == one for _, one, _, _ in STEPS) for name in WITHIN)


def test_the_table_of_readings_is_that_of_the_example():
    rows = re.findall(r"^\| `(e\d\d)` \w+ \|(.*)\|$", DOCUMENT, re.MULTILINE)
    assert [entry_id for entry_id, _ in rows] == [entry.entry_id for entry in charted_until("e06")]
    for (_, cells), entry in zip(rows, charted_until("e06"), strict=True):
        when, *numbers = [cell.strip() for cell in cells.split("|")]
        day, clock = datetime.strptime(f"2025 {when}", "%Y %d %B, %H:%M").date(), when.rpartition(", ")[2]
        assert (entry.at.date(), entry.at.strftime("%H:%M")) == (day, clock)
        gaps = [str(gap.gap_mm) for gap in getattr(entry, "gaps", None) or ()] or ["", "", ""]
        marks = [str(getattr(band, "mark_mm", None) or band.mark_mm_after) for band in entry.bands]
        assert numbers == [*gaps, *marks]


def test_the_state_and_the_due_time_in_words_are_those_of_the_service():
    view = VIEWS["e02"]
    assert {band["state"] for band in view["bands"]} == {"in-range"}
    assert (view["next_reset"]["reason"], view["next_reset"]["bands"]) == ("interval", [1, 2, 3, 4])
    assert view["next_reset"]["due_at"] == "2025-04-21T18:20:00+02:00"
    assert view["bands"][0]["below_range_at"].startswith("2025-04-22T00:39")
    assert "closable_at_median" in VIEWS["e06"]["latest"]
