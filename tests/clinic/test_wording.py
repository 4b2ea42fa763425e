"""Bedside wording: a plain sentence for the plan and one for each band, with numbers, units and limits; no orders.

Common practice, no source: order of work from the middle outwards, the smallest tail, hold until the skin is intact.
"""

import re
from decimal import Decimal
from typing import Any

from hypothesis import given, settings

from service.clinic.course import fold_course
from service.clinic.layout import layout_plan
from service.clinic.layout_words import plan_view
from service.clinic.standing import standing
from service.clinic.summary import course_view
from tests.clinic.random_courses import courses
from tests.clinic.scenario import POLICY, at, charted, check, course, folded, gaps, installation, marks, outcome

# "14 should be;" ends a count of items, and is no order.
ORDERS = re.compile(
    r"^(draw|let|set|reset|give|take|remove|call|start|stop|increase|reduce|cut)\b"
    r"|\b(must|should(?! be;)|have to|administer)\b",
    re.IGNORECASE,
)


def plan(*entries: Any, hours: float = 8) -> Any:
    return course_view(course(), folded(*entries).summary(at(hours)), at(hours))["reset_plan"]


def sentence_of(shown: Any, band: int) -> str:
    return next(str(step["text"]) for step in shown["steps"] if step["band"] == band)


def test_the_plan_says_when_why_and_in_which_order() -> None:
    shown = plan(installation(), check("c1", 6, gaps=gaps(50), bands=marks(18, 18, 14, 18, 18)), hours=6.5)
    # The middle of the wound is at 100 mm; bands lie at 40, 60, 80, 100, 120: 4 first, 3 before 5, then 2 and 1.
    assert "A reset of band 3 is due at 2031-03-04T15:00:00+05:45 (read below the working range)" in shown["text"]
    assert "order of work from the middle outwards: bands 4, 3, 5, 2, 1." in shown["text"]
    assert [(step["order"], step["band"]) for step in shown["steps"]] == [(1, 4), (2, 3), (3, 5), (4, 2), (5, 1)]


def test_a_reset_whose_time_has_passed_was_due() -> None:
    assert "was due at" in plan(installation(), hours=25)["text"]
    assert "is due at" in plan(installation(), hours=23)["text"]


def test_a_band_has_one_sentence_with_reading_range_target_mark_draw_and_tail() -> None:
    shown = plan(installation(), check("c1", 6, gaps=gaps(50), bands=marks(18, 18, 14, 18, 18)))
    # Band 3: 14/10; parallel gaps give q = 1 - 0.2² = 0.96: 1.65 + 0.3 x 0.96 = 1.938; span 50 + 20 = 70 mm:
    # 70 x (1/1.4 - 1/1.95) = 14.1026 mm; tail 50 + 14.1 (installed with 80).
    assert sentence_of(shown, 3) == (
        "Band 3 reads a stretch ratio of 1.4, below the range (1.5 to 2.0); target stretch ratio 1.938, to the half "
        "millimetre a mark of 19.5 mm; planned draw 14.1 mm of unstretched band; tail then 94.1 mm."
    )


def test_a_band_above_the_maximum_is_let_out() -> None:
    shown = plan(installation(), check("c1", 6, gaps=gaps(50), bands=marks(21)))
    assert "above the maximum (1.5 to 2.0)" in sentence_of(shown, 1)
    assert "planned let-out 4.5 mm" in sentence_of(shown, 1)  # 70 x (1/2.1 - 1/1.85) = -4.5045 mm


def test_a_plan_that_leaves_too_little_tail_says_so_and_never_rounds_it_away() -> None:
    entries = [
        installation(tails=[80, 80, 80, "52.54", 80]),
        check("c1", 6, gaps=gaps(50), bands=marks(21, 18, 18, 20)),
    ]
    # Band 4, the middle one, target 1.95: 70 x (1/2 - 1/1.95) = -0.897; let out: 52.54 - 0.897 = 51.64 mm
    assert "tail then 51.6 mm" in sentence_of(plan(*entries), 4)
    short = [installation(tails=[80, 80, 80, "50.87", 80]), check("c1", 6, gaps=gaps(50), bands=marks(18, 18, 18, 20))]
    # 50.87 - 0.8974 = 49.9726 mm, which is short: not to be shown as 50.0
    assert "leaves a tail of 49.9 mm, under 50 mm" in sentence_of(plan(*short), 4)


def test_on_hold_the_plan_and_every_band_say_so() -> None:
    shown = plan(installation(), check("c1", 6, gaps=gaps(50), bands=marks(17, 18, 18, 18, 18), skin=["blister"]))
    assert shown["hold"] is True
    assert "hold, surgeon to review" in shown["text"]
    assert "no band is planned above its present stretch" in shown["text"]
    assert all("hold, surgeon to review" in step["text"] for step in shown["steps"])
    assert "planned draw" not in " ".join(step["text"] for step in shown["steps"])
    healed = check("c2", 7, gaps=gaps(50), bands=marks(17, 18, 18, 18, 18), skin=["intact"])
    assert "hold" not in plan(installation(), check("c1", 6, skin=["blister"]), healed)["text"]


def test_a_band_that_was_not_read_and_one_without_gaps_say_what_is_missing() -> None:
    assert "was not read at the latest check" in sentence_of(plan(installation(), check("c1", 6)), 2)
    estimate = plan(installation(), check("c1", 6, bands=marks(17)))
    assert "a gap reading is wanted" in sentence_of(estimate, 1)


def test_where_nothing_is_due_there_is_no_plan() -> None:
    assert plan(installation(), outcome("o1", 5)) is None


def test_the_sentences_of_a_layout_plan_hold_its_figures() -> None:
    view = plan_view(layout_plan(Decimal(100), Decimal(50), POLICY), POLICY)
    assert "11 anchors a side (22 in all) at stations 0 to 100 mm, 10 mm apart, set back 12.5 mm" in view["text"]
    # By hand: 75/1.95 + 100 = 138.46 mm, cut at 139.
    assert view["bands"][5]["text"].startswith("Band 6 at station 50 mm: to cut 139 mm, target stretch ratio 1.95,")
    assert len([caution for caution in view["cautions"] if caution.endswith(".")]) == len(view["cautions"])


@settings(max_examples=60, deadline=None)
@given(courses())
def test_no_sentence_of_any_plan_or_alert_orders_anything(entries: list[Any]) -> None:
    state = fold_course(course(), standing(charted(*entries)), POLICY).summary(at(500))
    view = course_view(course(), state, at(500))
    said = [alert["text"] for alert in view["alerts"]]
    if view["reset_plan"] is not None:
        said += [view["reset_plan"]["text"], *(step["text"] for step in view["reset_plan"]["steps"])]
        assert {step["band"] for step in view["reset_plan"]["steps"]} == {band["band"] for band in view["bands"]}
    for sentence in said:
        assert sentence.endswith(".")
        assert "\n" not in sentence
        assert not ORDERS.search(sentence)
