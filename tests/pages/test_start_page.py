"""The start page in a real browser: it renders, its links lead somewhere, markup in texts stays text."""

import re
import shutil
import subprocess
from pathlib import Path
from urllib.parse import urljoin

import pytest
import requests

from tests.live import live_service

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
ROOT = Path(__file__).parents[2]
QUIET = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip


@pytest.fixture(scope="module")
def service(tmp_path_factory):
    with live_service(tmp_path_factory.mktemp("pages")) as live:
        document = (ROOT / "service" / "api" / "example-course.json").read_bytes()
        requests.post(
            f"{live.base}/intake/courses", data=document, headers={"Content-Type": "application/json"}, timeout=10
        )
        yield live


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")
def test_a_browser_renders_the_start_page(service, tmp_path):
    command = [CHROMIUM, *QUIET, f"--user-data-dir={tmp_path}", "--dump-dom", f"{service.base}/"]
    page = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout
    assert "<h1>" in page
    assert "alder-lower-leg-1" in page
    assert "Caution" in page
    assert "Open demonstration" in page


def test_every_link_of_the_start_page_leads_somewhere(service):
    page = requests.get(f"{service.base}/", timeout=10)
    links = re.findall(r'href="([^"]+)"', page.text)
    assert len(links) >= 8
    for link in links:
        answer = requests.get(urljoin(f"{service.base}/", link.replace("&amp;", "&")), timeout=10)
        assert answer.status_code == 200, link
