"""A course in the frame of a chart, in a real Chromium: by a real link, on an origin that is configured and no other.

Of one site in the browser's sense are origins of the same registrable domain, whatever their ports
(https://html.spec.whatwg.org/multipage/browsers.html#same-site); framing is refused by the policy `frame-ancestors`
(https://www.w3.org/TR/CSP3/#directive-frame-ancestors). Both are the browser's to keep, so a browser is asked.
"""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest
import requests
import uvicorn

from service.access.settings import AccessSettings
from service.api.app import create_app
from service.config import Settings
from tests.live import free_port
from tests.pages.browser import CHROMIUM, axe_findings, watch_console
from tests.pages.ward import EXAMPLES
from tests.signing_in import new_client, token_of

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")
COURSE = "lower-leg-0302"


class _Chart(BaseHTTPRequestHandler):
    """A chart's page with one frame; what is in it stands in the address."""

    def do_GET(self) -> None:
        """The page."""
        framed = self.path.partition("?")[2]
        page = f'<!doctype html><html lang="en"><title>Chart</title><iframe title="Course" src="{framed}"></iframe>'
        body = f"{page}<style>iframe {{ width: 60rem; height: 50rem; }}</style></html>".encode()
        self.send_response(200)
        self.send_header("Content-Type", "text/html; charset=utf-8")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: Any) -> None:
        """Nothing."""


@contextmanager
def chart_page() -> Iterator[str]:
    """A chart on an origin of its own; where it is."""
    server = ThreadingHTTPServer(("localhost", 0), _Chart)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield f"http://localhost:{server.server_address[1]}"
    finally:
        server.shutdown()
        server.server_close()


@dataclass
class Served:
    """The service, a chart that it knows and one that it does not know."""

    base: str
    known: str
    stranger: str
    settings: Settings
    client_id: str

    def link(self) -> str:
        """A link as the chart's back end gets one."""
        token = token_of(self.settings, self.client_id, datetime.now(UTC))
        headers = {"Authorization": f"Bearer {token}"}
        made = requests.post(f"{self.base}/chart/links", json={"course_id": COURSE}, headers=headers, timeout=10)
        assert made.status_code == 201, made.text
        return str(made.json()["url"])


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    port = free_port()
    base = f"http://localhost:{port}"
    folder = tmp_path_factory.mktemp("framed")
    settings = Settings(database_url=f"sqlite:///{folder}/ward.sqlite3", public_base=base, zone="Europe/Vienna")
    client_id = new_client(settings, datetime.now(UTC))
    with chart_page() as known, chart_page() as stranger:
        app = create_app(settings, access=AccessSettings(frame_origins=(known,)))
        server = uvicorn.Server(uvicorn.Config(app, host="localhost", port=port, log_level="error"))
        thread = threading.Thread(target=server.run, daemon=True)
        thread.start()
        while not server.started:
            thread.join(0.01)
        made = Served(base, known, stranger, settings, client_id)
        headers = {"Authorization": f"Bearer {token_of(settings, client_id, datetime.now(UTC))}"}
        sent = requests.post(
            f"{base}/intake/courses",
            data=EXAMPLES[0].read_bytes(),
            headers=headers | {"Content-Type": "application/json"},
            timeout=30,
        )
        assert sent.status_code == 201, sent.text
        yield made
        server.should_exit = True
        thread.join(timeout=10)


@pytest.fixture
def page(browser):
    context = browser.new_context(viewport={"width": 1024, "height": 900})
    context.set_default_timeout(10_000)
    yield context.new_page()
    context.close()


def frame_in(page, chart, url):
    """The chart with this address in its frame; the frame, and what the browser said."""
    said = watch_console(page)
    page.goto(f"{chart}/?{url}", wait_until="load")
    return page.frame_locator("iframe"), said


def test_a_link_opens_the_course_in_the_frame_of_the_chart_and_the_session_goes_on_there(page, served):
    inside, said = frame_in(page, served.known, served.link())
    assert COURSE in inside.locator("h1").inner_text()
    assert inside.locator("svg[aria-labelledby^=trend]").is_visible()
    assert inside.locator("script, form, a, button, iframe").count() == 0
    assert said == []
    (cookie,) = page.context.cookies(f"{served.base}/chart/courses/{COURSE}")
    assert cookie["httpOnly"]
    assert cookie["sameSite"] == "Strict"
    inside, said = frame_in(page, served.known, f"{served.base}/chart/courses/{COURSE}")  # opened again in the chart
    assert COURSE in inside.locator("h1").inner_text()
    assert said == []


def test_the_same_link_opens_nothing_a_second_time(page, browser, served):
    link = served.link()
    inside, _ = frame_in(page, served.known, link)
    assert COURSE in inside.locator("h1").inner_text()
    other = browser.new_context().new_page()
    answers: list[int] = []
    other.on("response", lambda answer: answers.append(answer.status) if answer.url == link else None)
    frame_in(other, served.known, link)
    assert answers == [401]
    told = other.frame_locator("iframe").locator("main").inner_text()
    assert COURSE not in told
    assert "open the chart again" in told  # a sentence for who looks at it
    other.context.close()


def test_the_browser_refuses_the_frame_to_an_origin_that_is_not_configured(page, served):
    inside, said = frame_in(page, served.stranger, served.link())
    assert any("frame-ancestors" in line for line in said), said
    assert COURSE not in inside.locator("body").inner_text()
    assert page.frames[-1].url.startswith("chrome-error:")


def test_the_ward_is_never_framed_not_even_by_the_chart(page, served):
    token = token_of(served.settings, served.client_id, datetime.now(UTC))
    page.set_extra_http_headers({"Authorization": f"Bearer {token}"})  # as a gateway before the ward adds it
    for path in ("/ward", f"/ward/courses/{COURSE}", "/"):
        _, said = frame_in(page, served.known, f"{served.base}{path}")
        assert page.frames[-1].url.startswith("chrome-error:"), said


def test_what_is_framed_cannot_be_reached_by_the_chart_s_script(page, served):
    frame_in(page, served.known, served.link())
    assert page.evaluate("document.querySelector('iframe').contentDocument === null")


def test_axe_finds_nothing_on_the_page_as_it_is_framed(page, served):
    page.goto(served.link())
    assert axe_findings(page) == []
    page.set_viewport_size({"width": 320, "height": 640})
    assert page.evaluate("document.documentElement.scrollWidth") <= 320
