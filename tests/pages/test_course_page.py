"""The page of a course: one number everywhere, corrections in sight, text that stays text, and the chart's frame."""

import re
from decimal import Decimal
from html.parser import HTMLParser
from io import BytesIO

import orjson
import pytest
from pypdf import PdfReader
from starlette.testclient import TestClient

from service import strict_json
from service.access.gate import EVERYTHING, Access
from service.access.scopes import parse_scopes
from service.api.pages.course_page import course_page
from service.clinic.caution import CAUTION
from service.report.story import story_of
from tests.pages.ward import DEMONSTRATION, EXAMPLES, load, send_to, ward_app

HOSTILE = {
    "script": "<script>document.title='x'</script>",
    "attribute": "\" onmouseover=\"document.title='x'",
    "template": "{{ 7 * 7 }}{% raw %}",
    "right-to-left": "\u202eevil\u202c مرحبا",
    "emoji": "🩹👩🏽‍⚕️",
    "long": "w" * 2000,
}

TAGS = {
    "html",
    "head",
    "meta",
    "title",
    "style",
    "script",
    "body",
    "a",
    "nav",
    "main",
    "footer",
    "p",
    "strong",
    "h1",
    "h2",
    "h3",
    "section",
    "div",
    "span",
    "br",
    "table",
    "thead",
    "tbody",
    "tr",
    "th",
    "td",
    "ul",
    "ol",
    "li",
    "dl",
    "dt",
    "dd",
    "details",
    "summary",
    "figure",
    "svg",
    "desc",
    "polygon",
    "polyline",
    "line",
    "circle",
    "text",
    "data",
    "bdi",
    "del",
    "ins",
    "form",
    "fieldset",
    "legend",
    "label",
    "input",
    "textarea",
    "button",
    "select",
    "option",
}  # fmt: skip - what the templates write


class Page(HTMLParser):
    """Tags, texts and values of a page."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.values, self.text, self.attributes = [], [], "", set()
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes |= {name for name, _ in attrs}
        self.values += [value for name, value in attrs if tag == "data" and name == "value"]

    def handle_data(self, data):
        self.text += data


def client_of(ward, access=DEMONSTRATION):
    return TestClient(ward_app(ward, access), base_url=ward.base, follow_redirects=False)


@pytest.fixture
def client(ward):
    return client_of(ward)


def resources(ward, course, type_):
    with ward.workflow.store.read(ward.workflow.site.key) as unit:
        keys = [key for key in unit.current(course) if key[0] == type_]
        return [orjson.loads(body) for body in unit.bodies(keys).values()]


def test_page_fhir_and_sheet_show_the_same_numbers(ward, client):
    """FHIR gives lengths of wounds in cm and areas in cm2; the page in mm; the figure itself is one."""
    course = load(ward, EXAMPLES[0], 13)
    page = Page(client.get(f"/ward/courses/{course}").text)
    sheet = client.get(f"/ward/courses/{course}/sheet.pdf")
    printed = " ".join(" ".join(p.extract_text().split()) for p in PdfReader(BytesIO(sheet.content)).pages)
    latest = ward.view(course)["latest"]
    reported = resources(ward, course, "DiagnosticReport")[0]["result"]
    named = {reference["reference"].partition("/")[2] for reference in reported}
    observed = {
        body["code"]["text"]: Decimal(str(body["valueQuantity"]["value"]))
        for body in resources(ward, course, "Observation")
        if body["id"] in named and "valueQuantity" in body
    }
    assert latest["max_gap_mm"] / 10 in observed.values()
    assert latest["open_area_cm2"] in observed.values()
    assert str(latest["open_area_cm2"]) in page.values
    assert str(latest["closure_fraction"]) in page.values
    assert latest["closure_fraction"] * 100 in observed.values()
    assert f"{latest['max_gap_mm']} mm" in page.text
    assert f"{latest['max_gap_mm']} mm" in printed
    shown = f"{latest['open_area_cm2']:.1f} cm²"
    assert shown in page.text
    assert shown in printed


def test_the_figures_of_every_reading_are_those_that_fhir_derived_at_it(ward, client):
    course = load(ward, EXAMPLES[0])
    areas = {
        str(Decimal(str(body["valueQuantity"]["value"])))
        for body in resources(ward, course, "Observation")
        if body.get("valueQuantity", {}).get("code") == "cm2"
    }
    page = Page(client.get(f"/ward/courses/{course}").text)
    assert len(areas) >= 9
    assert areas <= set(page.values)


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_charted_text_stays_text_on_every_page_and_sheet(ward, client, text):
    document = strict_json.read(EXAMPLES[0].read_bytes())
    document["entries"] = document["entries"][:6]
    document["course"]["patient"] |= {"family": text[:100], "given": [text[:100]]}
    document["course"]["wound"]["description"] = text[:500]
    for entry in document["entries"]:
        entry |= {"note": text, "performer": {**entry["performer"], "display": text[:100]}}
    ward.now = ward.now.replace(year=2025, month=3, day=5)
    course = ward.workflow.record_course(document, ward.now).course_id
    paths = (
        "",
        f"/courses/{course}",
        *(f"/courses/{course}/{form}" for form in ("check", "correct?entry=e02", "retract?entry=e02")),
    )
    for path in paths:
        body = client.get(f"/ward{path}")
        page = Page(body.text)
        assert body.status_code == 200
        assert page.tags.count("script") == 1  # the ward's own
        assert "onmouseover" not in page.attributes
        assert "49" not in re.findall(r"\{\{ 7 \* 7 \}\}|\b49\b", page.text)
        assert set(page.tags) <= TAGS, path
    assert text in Page(client.get(f"/ward/courses/{course}").text).text
    assert client.get(f"/ward/courses/{course}/sheet.pdf").content.startswith(b"%PDF")


def test_a_correction_is_told_with_what_it_changed_and_why(ward, client):
    course = load(ward, next(path for path in EXAMPLES if "over-stretched" in str(path)))
    page = client.get(f"/ward/courses/{course}").text
    amended = next(entry for entry in ward.view(course)["entries"] if entry["kind"] == "amendment")
    assert amended["reason"] in Page(page).text
    assert re.search(r"<del>.*27\.5 mm.*</del>", page)
    assert "corrected" in Page(page).text


def test_in_a_chart_s_frame_there_is_no_script_no_form_and_no_link(ward):
    course = load(ward, EXAMPLES[0], 13)
    text = course_page(story_of(ward.workflow, course, ward.now), framed=True)
    page = Page(text)
    assert {"script", "form", "a", "button", "input", "link", "img", "iframe"}.isdisjoint(page.tags)
    assert {"href", "src", "style", "action"}.isdisjoint(page.attributes)
    assert CAUTION in page.text
    assert "Reset plan" in page.text
    assert "Entries, newest first" in page.text


def test_what_was_sent_to_charts_stands_on_the_page_of_a_site_that_sends(ward, client):
    course = load(ward, EXAMPLES[0], 2)
    assert "Sent to charts" not in client.get(f"/ward/courses/{course}").text
    send_to(ward)
    page = Page(client.get(f"/ward/courses/{course}").text)
    assert "Sent to charts" in page.text
    assert "ward-chart" in page.text
    assert "waiting" in page.text


def test_policies_of_a_page_let_nothing_in_from_elsewhere_and_no_frame_around_it(client):
    answer = client.get("/ward")
    policy = dict(part.strip().split(" ", 1) for part in answer.headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == "'self'"
    assert policy["form-action"] == "'self'"
    assert policy["frame-ancestors"] == "'none'"
    assert "unsafe-inline" not in answer.headers["content-security-policy"]
    assert answer.headers["cache-control"] == "no-store"


@pytest.mark.parametrize(
    "access",
    [
        None,
        Access("bulk", None, "registry", parse_scopes("system/*.r")),
        Access("pull", "demo", "backend", parse_scopes("system/*.rs")),
    ],
    ids=["nobody", "registry", "other-scope"],
)
def test_the_start_page_shows_courses_only_to_who_may_read_them(ward, access):
    course = load(ward, EXAMPLES[0], 13)
    shown = client_of(ward, access).get("/").text
    assert course not in shown
    assert "Caution" in shown
    assert "Open demonstration" not in shown
    everything = client_of(ward).get("/").text
    assert course in everything
    assert "Open demonstration" in everything
    assert 'href="ward"' in everything


@pytest.mark.parametrize(
    "path", ["", "/new", "/plan", "/deliveries", "/courses/{course}", "/courses/{course}/check", "/courses/nowhere"]
)
def test_every_page_of_the_open_demonstration_says_what_it_is_and_no_other_does(ward, path):
    path = f"/ward{path.format(course=load(ward, EXAMPLES[0], 13))}"
    signed_in = Access("pull", "demo", "backend", EVERYTHING)
    for access, says_so in ((DEMONSTRATION, True), (signed_in, False), (None, False)):
        answer = client_of(ward, access).get(path)
        assert answer.status_code == (404 if path.endswith("nowhere") else 200)
        assert ("Open demonstration" in answer.text) is says_so
        assert ("Do not enter real patients" in answer.text) is says_so


def test_every_open_course_is_on_the_board_and_a_closed_one_is_not(ward, client):
    closed = load(ward, EXAMPLES[0])
    still_open = load(ward, EXAMPLES[1], 1)
    page = client.get("/ward").text
    assert still_open in page
    assert closed not in page


def test_a_link_of_a_saved_entry_that_is_none_shows_nothing_odd(ward, client):
    course = load(ward, EXAMPLES[0], 2)
    page = client.get(f"/ward/courses/{course}?saved=%22%3E%3Cscript%3E").text
    assert Page(page).tags.count("script") == 1
    assert "Saved." not in page
