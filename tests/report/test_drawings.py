"""Sketch, trend and stretches: to scale, labelled, told in words; and drawn for whatever the intake takes."""

from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings

from service import strict_json
from service.clinic.gap import gap_at
from service.report.drawing import LIGHT, Dot, Line, Path, Words, svg
from service.report.scales import TimeScale, roomy, ticks
from service.report.sketch import SIDE, WIDTH, margin, sketch
from service.report.stretches import stretches
from service.report.trend import trend
from tests.random_courses import course_files
from tests.report.stories import EXAMPLES, example, story_of_document

DRAWN = (sketch, trend, stretches)


def words(drawn):
    return [shape.text for shape in drawn.shapes if isinstance(shape, Words)]


def test_the_sketch_is_to_scale_on_both_axes():
    """Held against plain geometry: length, gap and anchors in one scale, mm to points."""
    story = example(entries=6)
    drawn = sketch(story)
    wound = next(shape for shape in drawn.shapes if isinstance(shape, Path) and shape.fill == "wound")
    xs, ys = [x for x, _ in wound.points], [y for _, y in wound.points]
    per_mm = (max(xs) - min(xs)) / 180
    assert per_mm == pytest.approx((WIDTH - 2 * SIDE) / 180)
    assert max(ys) - min(ys) == pytest.approx(59 * per_mm)  # the widest gap of that check
    spans = {
        round(line.x1, 3): line.y2 - line.y1 for line in drawn.shapes if isinstance(line, Line) and line.x1 == line.x2
    }
    for band in story.summary.bands:
        gap = gap_at(band.station_mm, story.gaps[-1].readings, story.course.wound.length_mm)
        assert spans[round(SIDE + float(band.station_mm) * per_mm, 3)] == pytest.approx(
            float(gap + 24) * per_mm
        )  # 2 x 12


def test_a_wound_of_one_or_two_stations_is_drawn_as_the_ellipse_of_its_area():
    story = example(entries=1)
    few = story.gaps[0].__class__
    gap = few(
        **{name: getattr(story.gaps[0], name) for name in few.__slots__} | {"readings": ((Decimal(90), Decimal(61)),)}
    )
    along = dict(margin(gap, Decimal(180)))
    assert along[Decimal(90)] == 61
    assert float(along[Decimal(45)]) == pytest.approx(61 * 0.75**0.5, abs=1e-9)  # sqrt(1 - (1/2)^2)
    assert along[Decimal(0)] == along[Decimal(180)] == 0


def test_what_a_band_reads_is_said_by_shape_and_word_not_by_colour_alone():
    drawn = sketch(example(next(path for path in EXAMPLES if "over-stretched" in str(path)), 4))
    assert "2 above maximum" in drawn.description
    assert [shape for shape in drawn.shapes if isinstance(shape, Path) and len(shape.points) == 3]
    assert {"in range", "below range", "above maximum", "not read"} <= set(words(drawn))


def test_the_trend_shows_first_and_last_gap_resets_and_the_forecast():
    story = example(entries=13)
    drawn = trend(story)
    said = words(drawn)
    assert "61.0" in said
    assert "14.0" in said
    assert said.count("R") == sum(entry.entry.kind == "reset" for entry in story.standing)
    assert "I" in said
    assert "Closable by" in drawn.description
    assert "closable at 5 mm or less" in said
    assert [shape for shape in drawn.shapes if isinstance(shape, Path) and shape.fill == "range" and shape.closed]


def test_a_reading_that_cannot_be_compared_is_hollow_and_not_joined():
    document = strict_json.read(EXAMPLES[0].read_bytes())
    document["entries"] = document["entries"][:4]
    document["entries"][-1] |= {"gaps": [{"station_mm": 5, "gap_mm": 3}]}
    drawn = trend(story_of_document(document))
    hollow = [shape for shape in drawn.shapes if isinstance(shape, Dot) and shape.fill == "paper" and shape.y < 230]
    joined = [shape for shape in drawn.shapes if isinstance(shape, Path) and not shape.closed]
    assert len(hollow) == 1
    assert len(joined[0].points) == 2


def test_stretches_draw_one_strip_a_band_with_every_reading():
    story = example(entries=13)
    drawn = stretches(story)
    for band in story.summary.bands:
        assert f"Band {band.band}" in words(drawn)
    dots = [
        shape
        for shape in drawn.shapes
        if isinstance(shape, Dot) or (isinstance(shape, Path) and len(shape.points) == 3)
    ]
    assert len(dots) == len(story.marks)


def test_a_drawing_is_sound_xml_with_title_description_and_a_colour_for_every_role():
    drawn = sketch(example(entries=6))
    drawn.title = drawn.description = "<script>&\"'"
    root = ElementTree.fromstring(svg(drawn, "one", alone=True))
    assert root[0].text == "<script>&\"'"
    assert root.attrib["aria-labelledby"] == f"{root[0].attrib['id']} {root[1].attrib['id']}"
    roles = {word[2:] for each in root.iter() for word in each.attrib.get("class", "").split() if word[1] == "-"}
    assert roles <= set(LIGHT)
    assert not [each for each in root.iter() if "style" in each.attrib]  # a page's policy allows none


def test_a_drawing_is_small_and_the_same_input_gives_the_same_bytes():
    story = example(entries=13)
    for draw in (sketch, trend):
        first = svg(draw(story), "one", alone=True)
        assert first == svg(draw(example(entries=13)), "one", alone=True)
        assert len(first) < 12_000


def test_nothing_is_drawn_before_anything_was_read():
    story = example(entries=0)
    assert [draw(story) for draw in DRAWN] == [None, None, None]


@settings(max_examples=30)
@given(course_files())
def test_whatever_the_intake_takes_can_be_drawn_inside_its_paper(document):
    story = story_of_document(document)
    for draw in DRAWN:
        drawn = draw(story)
        if drawn is None:
            continue
        ElementTree.fromstring(svg(drawn, "one", alone=True))
        for shape in drawn.shapes:
            points = shape.points if isinstance(shape, Path) else ()
            points += ((shape.x1, shape.y1), (shape.x2, shape.y2)) if isinstance(shape, Line) else ()
            assert all(-1 <= x <= drawn.width + 1 and -1 <= y <= drawn.height + 1 for x, y in points)


def test_ticks_are_round_and_inside():
    assert ticks(0, 73.2) == [0, 20, 40, 60]
    assert ticks(0, 1.2) == [0, 0.5, 1.0]


def test_days_begin_at_midnight_of_the_zone_also_when_the_clock_changes():
    """Europe/Vienna went forward on 29 March 2026 at 02:00 (tz database)."""
    vienna = ZoneInfo("Europe/Vienna")
    first = datetime(2026, 3, 28, 12, tzinfo=timezone(timedelta(hours=1)))
    scale = TimeScale(first, first + timedelta(days=3), 0, 100)
    found = scale.midnights(vienna)
    assert [(day.day, day.hour, day.utcoffset().total_seconds() / 3600) for day in found] == [
        (29, 0, 1),
        (30, 0, 2),
        (31, 0, 2),
    ]


def test_a_scale_at_the_beginning_of_the_calendar_is_no_error():
    first = datetime(1, 1, 1, tzinfo=UTC)
    assert roomy(first, first, 0, 100, timedelta(hours=12)).first == first
