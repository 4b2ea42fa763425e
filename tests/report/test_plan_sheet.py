"""The printable sheet: what stands on it, and that the drawing is to scale. Held against geometry done here anew."""

import re
from decimal import Decimal
from html.parser import HTMLParser
from itertools import pairwise
from xml.etree import ElementTree

import pytest

from service.clinic.caution import CAUTION
from service.clinic.force import bench_table
from service.clinic.layout import layout_plan
from service.clinic.policy import default_policy
from service.report.plan_sheet import drawing, plan_sheet

D = Decimal
POLICY = default_policy()
SVG = "{http://www.w3.org/2000/svg}"


def plan(length="180", gap="61", **more):
    return layout_plan(D(length), D(gap), POLICY, **more)


def svg_of(sheet):
    return ElementTree.fromstring(re.search(r"<svg.*?</svg>", sheet, re.DOTALL)[0])


def mm(text):
    assert text.endswith("mm")
    return float(text[:-2])


@pytest.mark.parametrize(
    ("length", "gap"), [("10", "0"), ("47.5", "20"), ("180", "61"), ("990", "400"), ("150", "300")]
)
def test_one_millimetre_of_the_wound_is_the_same_length_everywhere_on_paper(length, gap):
    made = plan(length, gap)
    drawn, picture = drawing(made), svg_of(plan_sheet(made, POLICY))
    _, _, width, height = map(float, picture.get("viewBox").split())
    assert mm(picture.get("width")) == pytest.approx(width / drawn.scale, abs=0.01)
    assert mm(picture.get("height")) == pytest.approx(height / drawn.scale, abs=0.01)
    ellipse = picture.find(f"{SVG}ellipse")
    assert 2 * float(ellipse.get("rx")) == pytest.approx(float(length), abs=0.01)
    assert 2 * float(ellipse.get("ry")) == pytest.approx(float(gap), abs=0.01)


def test_every_anchor_lies_its_setback_beyond_the_margin_at_its_station():
    made = plan()
    picture = svg_of(plan_sheet(made, POLICY))
    anchors = [(float(c.get("cx")), float(c.get("cy"))) for c in picture.iter(f"{SVG}circle")]
    assert len(anchors) == made.anchors
    for x, y in anchors:
        half_gap = 61 / 2 * max(0, 1 - (2 * x / 180 - 1) ** 2) ** 0.5  # the ellipse, here by floats
        assert abs(y) == pytest.approx(half_gap + 12.5, abs=0.02)
    bands = [line for line in picture.iter(f"{SVG}line") if line.get("class") == "band"]
    assert {line.get("x1") for line in bands} == {line.get("x2") for line in bands}
    assert len(bands) == len(made.bands)


@pytest.mark.parametrize(("length", "gap"), [("10", "0"), ("180", "61"), ("990", "10"), ("400", "400"), ("600", "200")])
def test_a_drawing_fits_an_upright_page_at_a_usual_scale(length, gap):
    drawn = drawing(plan(length, gap))
    assert drawn.paper_width_mm <= 182  # A4 is 210 mm wide, ISO 216, with margins of 14 mm
    assert drawn.paper_height_mm <= 240
    assert drawn.marks[0].labelled
    labelled = [mark.x / drawn.scale for mark in drawn.marks if mark.labelled]
    assert all(later - earlier >= 4 for earlier, later in pairwise(labelled))


def test_the_sheet_names_each_band_with_its_figures_and_the_cautions():
    made = plan()
    sheet = plan_sheet(made, POLICY)
    for band in made.bands:
        cells = re.search(rf'<th scope="row">{band.band}</th>(.*?)</tr>', sheet, re.DOTALL)[1]
        shown = re.findall(r"<td>(.*?)</td>", cells)
        assert D(shown[0]) == band.station_mm
        assert 0 <= D(shown[3]) - band.cut_length_mm < 1  # to cut: never shorter than computed
        assert (D(shown[5]), int(shown[6])) == (band.target_mark_mm, band.order)
    assert CAUTION in sheet
    assert "undermined by at most 20 mm" in sheet
    assert f"version {POLICY.version}" in sheet


def test_what_leaves_the_policy_stands_among_the_cautions():
    sheet = plan_sheet(plan(anchor_interval_mm=D(15), setback_mm=D(20)), POLICY)
    assert "anchor interval of 15 mm is larger than the policy's 10 mm" in sheet.replace("&#39;", "'")
    assert "setback of 20 mm lies outside of the policy's 10 to 15 mm" in sheet.replace("&#39;", "'")
    assert "outside of the policy" not in plan_sheet(plan(), POLICY)


def test_a_bench_table_is_named_and_its_name_is_text():
    bench = bench_table("<b>lot</b>", [1.0, 1.25, 1.5, 2.0], [0.0, 1.1, 1.8, 2.9])
    sheet = plan_sheet(plan(bench=bench), POLICY, bench)
    assert "&lt;b&gt;lot&lt;/b&gt;" in sheet
    assert bench.version in sheet


def test_a_sheet_is_well_formed_and_made_for_print():
    class Balance(HTMLParser):
        """Counts open elements; void ones close themselves."""

        def __init__(self):
            super().__init__()
            self.open = []

        def handle_starttag(self, tag, attrs):
            if tag not in ("meta", "br"):
                self.open.append(tag)

        def handle_endtag(self, tag):
            assert self.open.pop() == tag

    parser = Balance()
    sheet = plan_sheet(plan(), POLICY)
    parser.feed(sheet)
    assert parser.open == []
    assert "@media print" in sheet
    assert "@page" in sheet
    assert sheet == plan_sheet(plan(), POLICY)
