"""The pages in a real headless Chromium: a whole course by its forms, lost connections, two tablets, keyboard, axe."""

import re
from decimal import Decimal

import pytest

from tests.pages.browser import CHROMIUM, axe_findings, watch_console
from tests.pages.ward import EXAMPLES, START, load, served_ward

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")
STATIONS = (30, 60, 90, 120)


@pytest.fixture(scope="module")
def ward(tmp_path_factory):
    with served_ward(tmp_path_factory.mktemp("ward")) as served:
        yield served


@pytest.fixture
def page(browser):
    context = browser.new_context(viewport={"width": 820, "height": 1180})
    context.set_default_timeout(10_000)
    yield context.new_page()
    context.close()


def type_in(page, **texts):
    for name, text in texts.pop("also", {}).items() | texts.items():
        page.fill(f'[name="{name}"]', str(text))


def choose(page, name, value):
    page.check(f'[name="{name}"][value="{value}"]')


def sign(page):
    type_in(page, also={"performer/identifier/value": "n-1104", "performer/display": "R. Ostrander"})


def save(page):
    page.click("p.save button.first")
    page.wait_for_url("**/ward/courses/*")


def chart(page, ward, course, kind):
    page.goto(f"{ward.base}/ward/courses/{course}/{kind}")
    sign(page)


def a_course(page, ward, course):
    """A course with an installation, charted by the forms."""
    ward.now = START
    page.goto(f"{ward.base}/ward/new")
    patient = {"value": "T-77", "system": "https://tarnfels.example/patient-number"}
    type_in(page, course_id=course, also={f"patient/identifier/{name}": text for name, text in patient.items()})
    type_in(page, also={"patient/family": "Marlow", "wound/length_mm": 150})
    for name, value in (("cause", "fasciotomy"), ("body_site", "lower-leg"), ("reference_end", "proximal")):
        choose(page, f"wound/{name}", value)
    save(page)
    page.click("text=Chart an installation")
    ward.later(minutes=30)
    page.reload()
    sign(page)
    type_in(page, also={"performer/identifier/system": "https://tarnfels.example/staff-number"})
    type_in(page, anchors_per_side=15, anchor_interval_mm=10, setback_mm=12, dressings_placed=1)
    for row, station in enumerate(STATIONS):
        read = {"station_mm": station, "rest_mark_mm": 10, "mark_mm": 19, "tail_mm": 90}
        type_in(page, also={f"bands/{row}/{name}": value for name, value in read.items()})
        type_in(page, also={f"gaps/{row}/station_mm": station, f"gaps/{row}/gap_mm": (40, 60, 62, 41)[row]})
    save(page)
    return course


def a_check(page, ward, course, gaps, marks):
    chart(page, ward, course, "check")
    choose(page, "device_status", "in-place")
    for row, (gap, mark) in enumerate(zip(gaps, marks, strict=True)):
        type_in(page, also={f"gaps/{row}/gap_mm": gap, f"bands/{row}/mark_mm": mark})


def test_a_whole_course_is_charted_by_the_forms_from_installation_to_outcome(page, ward):
    course = a_course(page, ward, "willow-leg-1")
    assert ward.view(course)["next_reset"]["status"] == "planned"
    ward.later(hours=8)
    a_check(page, ward, course, (38, 57, 58, 39), (17, 17.5, 17, 14.5))
    choose(page, "skin", "intact")
    page.click("p.save button[name=compute]")
    page.wait_for_selector("#now-4 :text('below range')")  # computed before anything is saved
    assert "58 mm" in page.inner_text("#computed")
    assert len(ward.view(course)["entries"]) == 1
    save(page)
    assert page.is_visible("text=Saved.")
    assert ward.view(course)["latest"]["max_gap_mm"] == 58
    assert "Band 4 reads a stretch ratio of 1.45" in page.inner_text("main")

    ward.later(minutes=10)
    page.click("text=Chart a reset")
    sign(page)
    plan = {str(band["band"]): band["target_mark_mm"] for band in ward.view(course)["bands"]}
    for row in range(4):
        band = page.input_value(f'[name="bands/{row}/band"]')
        assert f"{plan[band]:.1f} mm" in page.inner_text(
            f'tr:has([name="bands/{row}/band"])'
        )  # the target beside the field
        type_in(page, also={f"bands/{row}/mark_mm_after": plan[band]})
    page.wait_for_selector("#now-4 :text('in range')")
    save(page)
    assert {band["mark_mm"] for band in ward.view(course)["bands"]} == set(plan.values())
    assert not ward.view(course)["alerts"]

    ward.later(hours=70)
    a_check(page, ward, course, (2, 4, 4, 2), (16, 16, 16, 16))
    save(page)
    ward.later(minutes=5)
    chart(page, ward, course, "removal")
    type_in(page, anchors_removed=30, bands_removed=4, dressings_removed=0)
    choose(page, "reason", "closed")
    save(page)
    assert any(alert["code"] == "count-mismatch" for alert in ward.view(course)["alerts"])  # a dressing is missing
    chart(page, ward, course, "reconciliation")
    choose(page, "item", "dressings")
    type_in(page, found=1, reason="found under the drape", also={"responsible/identifier/value": "n-1104"})
    save(page)
    chart(page, ward, course, "outcome")
    choose(page, "result", "primary-closure")
    save(page)
    assert ward.view(course)["state"] == "closed"
    assert ward.view(course)["counts"]["dressings"]["outstanding"] == 0
    assert "primary closure" in page.inner_text("main")
    page.goto(f"{ward.base}/ward")
    assert course not in page.inner_text("main")


def test_a_check_typed_without_a_connection_is_kept_and_sent_once_there_is_one(page, ward):
    course = a_course(page, ward, "willow-leg-2")
    ward.later(hours=4)
    a_check(page, ward, course, (39, 58, 60, 40), (18, 18, 18, 18))
    page.context.set_offline(True)
    page.click("p.save button.first")
    page.wait_for_selector("#connection:has-text('no connection')")
    assert page.input_value('[name="gaps/2/gap_mm"]') == "60"
    assert len(ward.view(course)["entries"]) == 1
    page.context.set_offline(False)  # the browser says so, and the form is sent again by itself
    page.wait_for_url("**?saved=*")
    assert len(ward.view(course)["entries"]) == 2
    assert page.evaluate("sessionStorage.length") == 0  # nothing about the patient stays in the browser


def test_a_lost_answer_and_a_reload_lose_nothing_and_record_once(page, ward):
    course = a_course(page, ward, "willow-leg-3")
    ward.later(hours=4)
    a_check(page, ward, course, (39, 58, 60, 40), (18, 18, 18, 18))
    entry_id = page.input_value('[name="entry_id"]')

    def answer_lost(route):
        route.fetch(max_redirects=0)  # it reaches the service, its answer does not reach the tablet
        route.abort()

    page.route(f"**/{course}/check", answer_lost, times=1)
    page.click("p.save button.first")
    page.wait_for_selector("#connection:has-text('no connection')")
    assert len(ward.view(course)["entries"]) == 2
    page.reload()
    assert page.input_value('[name="entry_id"]') == entry_id  # what was typed, and the id it was typed under
    assert page.input_value('[name="gaps/2/gap_mm"]') == "60"
    assert page.is_checked('[name="device_status"][value="in-place"]')
    save(page)
    assert len(ward.view(course)["entries"]) == 2


def test_what_was_typed_is_forgotten_when_it_is_left_or_two_hours_old(page, ward):
    course = a_course(page, ward, "willow-leg-7")
    a_check(page, ward, course, (39, 58, 60, 40), (18, 18, 18, 18))
    page.click("text=Leave without saving")
    page.wait_for_url(f"**/courses/{course}")
    page.go_back()
    page.reload()
    assert page.input_value('[name="gaps/2/gap_mm"]') == ""
    a_check(page, ward, course, (39, 58, 60, 40), (18, 18, 18, 18))
    page.reload()
    assert page.input_value('[name="gaps/2/gap_mm"]') == "60"
    page.evaluate(
        """() => { const key = Object.keys(sessionStorage)[0]; const draft = JSON.parse(sessionStorage.getItem(key));
        draft.at -= 2 * 3600 * 1000 + 1; sessionStorage.setItem(key, JSON.stringify(draft)); }"""
    )
    page.reload()
    assert page.input_value('[name="gaps/2/gap_mm"]') == ""
    assert page.evaluate("sessionStorage.length") == 0


def test_two_tablets_on_one_course_know_of_each_other_and_both_are_recorded(browser, page, ward):
    course = a_course(page, ward, "willow-leg-4")
    ward.later(hours=4)
    other = browser.new_context().new_page()
    a_check(page, ward, course, (39, 58, 60, 40), (18, 18, 18, 18))
    a_check(other, ward, course, (38, 57, 59, 39), (17, 17, 17, 17))
    save(page)
    other.click("p.save button.first")
    other.wait_for_selector("text=Others have charted since this form was opened")
    assert other.input_value('[name="gaps/2/gap_mm"]') == "59"
    assert other.evaluate("document.activeElement.getAttribute('role')") == "alert"
    save(other)
    assert [entry["gaps"][2]["gap_mm"] for entry in ward.view(course)["entries"][1:]] == [60, 59]
    other.context.close()


def test_a_check_can_be_charted_with_the_keyboard_alone(page, ward):
    course = a_course(page, ward, "willow-leg-5")
    ward.later(hours=4)
    page.goto(f"{ward.base}/ward/courses/{course}")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    _tab_to(page, "a.button.first")
    page.keyboard.press("Enter")
    page.wait_for_url("**/check")
    for name, text in (("performer/identifier/value", "n-1"), ("device_status", None), ("gaps/0/gap_mm", "39")):
        _tab_to(page, f'[name="{name}"]')
        page.keyboard.press("Space") if text is None else page.keyboard.type(text)
    _tab_to(page, '[name="bands/0/mark_mm"]')
    page.keyboard.type("18")
    page.keyboard.press("Enter")  # computes; only the button saves
    page.wait_for_selector("#now-1 :text('1.800')")
    assert len(ward.view(course)["entries"]) == 1
    _tab_to(page, "p.save button.first")
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"  # where the keyboard is can be seen
    page.keyboard.press("Enter")
    page.wait_for_url("**?saved=*")
    assert ward.view(course)["entries"][-1]["bands"] == [{"band": 1, "mark_mm": 18}]


def _tab_to(page, selector):
    for _ in range(120):
        if page.evaluate("selector => document.activeElement.matches(selector)", selector):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"the keyboard does not reach {selector}")


def test_the_forms_work_without_script(browser, page, ward):
    course = a_course(page, ward, "willow-leg-6")
    ward.later(hours=4)
    plain = browser.new_context(java_script_enabled=False).new_page()
    a_check(plain, ward, course, ("39", "wide", "60", "40"), (18, 18, 18, 18))
    plain.click("p.save button.first")
    assert "must be a number" in plain.inner_text("#faults")
    type_in(plain, also={"gaps/1/gap_mm": 58})
    plain.click("p.save button[name=compute]")
    assert "60 mm" in plain.inner_text("#computed")
    save(plain)
    assert len(ward.view(course)["entries"]) == 2
    plain.context.close()


@pytest.fixture(scope="module")
def example(ward):
    course = load(ward, EXAMPLES[0], 13)
    return course


PLACES = (
    "",
    "/new",
    "/plan?length_mm=180&max_gap_mm=60",
    "/plan?length_mm=x",
    "/deliveries",
    "/courses/nobody",
    "/courses/thigh-0407",
)
FORMS = (
    "check",
    "reset",
    "installation",
    "removal",
    "reconciliation",
    "outcome",
    "correct?entry=e02",
    "retract?entry=e02",
)


def test_axe_finds_nothing_on_any_page(page, ward, example):
    load(ward, next(path for path in EXAMPLES if "over-stretched" in str(path)))
    course = f"/courses/{example}"
    found = {}
    for path in (*PLACES, course, *(f"{course}/{form}" for form in FORMS)):
        page.goto(f"{ward.base}/ward{path}")
        found[path] = axe_findings(page)
    page.goto(f"{ward.base}/ward{course}/check")
    page.click("p.save button.first")
    page.wait_for_selector("#faults")
    found["a refused check"] = axe_findings(page)
    assert {path: told for path, told in found.items() if told} == {}


def test_axe_finds_enough_contrast_in_the_dark(browser, ward, example):
    page = browser.new_context(color_scheme="dark").new_page()
    found = {}
    for path in ("", f"/courses/{example}", f"/courses/{example}/check", f"/courses/{example}/correct?entry=e02"):
        page.goto(f"{ward.base}/ward{path}")
        found[path] = axe_findings(page, ["cat.color"])
    page.context.close()
    assert {path: told for path, told in found.items() if told} == {}


def test_nothing_runs_off_a_small_screen_and_no_page_asks_for_what_its_policy_forbids(browser, ward, example):
    page = browser.new_context(viewport={"width": 320, "height": 640}).new_page()  # WCAG 1.4.10
    console = watch_console(page)
    for path in (*PLACES, f"/courses/{example}", *(f"/courses/{example}/{form}" for form in FORMS)):
        page.goto(f"{ward.base}/ward{path}")
        assert page.evaluate("document.documentElement.scrollWidth") <= 320, path
    page.context.close()
    assert [line for line in console if "404" not in line] == []


def test_touch_targets_are_44_pixels(browser, ward, example):
    """WCAG 2.2 asks for 24 (2.5.8); gloved hands are given 44."""
    context = browser.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    small = []
    for path in ("", f"/courses/{example}", f"/courses/{example}/check", f"/courses/{example}/installation"):
        page.goto(f"{ward.base}/ward{path}")
        small += page.evaluate(
            """() => [...document.querySelectorAll('a, button, input:not([type=hidden]), textarea, summary, .choice')]
                .filter(e => !e.closest('.unseen, .skip, p') && !e.matches('.unseen, .skip, .choice input'))
                .map(e => [e.outerHTML.slice(0, 80), e.getBoundingClientRect()])
                .filter(([, box]) => box.height < 43.5 || box.width < 43.5).map(([html]) => html)"""
        )
    context.close()
    assert small == []


def test_on_a_phone_what_people_act_on_is_in_sight_and_the_drawings_keep_their_size(browser, ward, example):
    context = browser.new_context(viewport={"width": 360, "height": 740})
    page = context.new_page()
    page.goto(f"{ward.base}/ward/courses/{example}")
    for place in ("plan-h", "counts-h"):
        assert page.locator(f"section:has(#{place}) tbody tr").count() >= 3
    right = page.locator("section:has(#plan-h) tbody td").evaluate_all(
        "all => all.map(e => e.getBoundingClientRect().right)"
    )
    assert max(right) <= 360  # targets and draws, without scrolling sideways
    text = page.locator("svg[aria-labelledby^=sketch] text").first
    assert text.evaluate("e => e.getBoundingClientRect().height") >= 10
    page.goto(f"{ward.base}/ward/courses/{example}/check")
    page.fill('[name="bands/0/mark_mm"]', "18")
    now = page.locator("#now-1")
    now.locator("text=1.800").wait_for()
    assert now.evaluate("e => e.getBoundingClientRect().right") <= 360
    context.close()


def test_printed_the_page_has_neither_navigation_nor_buttons(page, ward, example):
    page.goto(f"{ward.base}/ward/courses/{example}")
    page.emulate_media(media="print")
    assert not page.is_visible("nav.top")
    assert not page.is_visible("text=Chart a check")
    assert page.is_visible("svg[aria-labelledby^=sketch]")
    assert page.is_visible("text=Caution.")
    assert page.is_visible("#e-e05 dd >> nth=0")  # what is folded on a screen is on the paper


def test_the_board_shows_the_zone_and_the_most_urgent_course_first(page, ward, example):
    for path in EXAMPLES[1:3]:
        load(ward, path, 2)
    load(ward, EXAMPLES[0], 13)  # sets the clock
    page.goto(f"{ward.base}/ward")
    text = page.inner_text("main")
    assert re.search(r"as of \w{3} 6 Mar 2025, 11:10 CET", text)
    assert page.locator("tbody tr").first.locator("th a").inner_text() == example
    assert "overdue" in page.locator("tbody tr").first.inner_text()


def test_figures_on_the_page_are_those_of_the_course_view(page, ward, example):
    load(ward, EXAMPLES[0], 13)
    page.goto(f"{ward.base}/ward/courses/{example}")
    view = ward.view(example)
    rows = page.locator("section:has(#plan-h) tbody tr")
    for row, step in enumerate(view["reset_plan"]["steps"]):
        band = next(band for band in view["bands"] if band["band"] == step["band"])
        values = rows.nth(row).locator("data").evaluate_all("all => all.map(one => one.value)")
        names = ("stretch_ratio", "target_stretch_ratio", "target_mark_mm", "draw_mm", "tail_after_mm")
        assert [Decimal(value) for value in values] == [band[name] for name in names]
