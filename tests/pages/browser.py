"""Debian's Chromium, driven by Playwright, and axe-core for the rules of WCAG."""

import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Browser, Page, sync_playwright

from tests.conformance.npm import package

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
AXE = ("axe-core", "4.10.3")  # the rules of WCAG 2.2 A and AA that a program can judge, published by Deque, MPL-2.0
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
QUIET = ["--no-sandbox", "--disable-quic", "--disable-background-networking", "--disable-sync"]


@contextmanager
def chromium() -> Iterator[Browser]:
    """One browser for a module."""
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        yield browser
        browser.close()


def axe_findings(page: Page, rules: list[str] = RULES) -> list[str]:
    """What axe-core finds on the page as it stands: rule, how serious, where."""
    source = (package(*AXE) / "axe.min.js").read_text("utf-8")
    page.evaluate(source)  # by the debugger's way in: the page's own policy lets no script in
    found = page.evaluate(f"axe.run(document, {{runOnly: {{type: 'tag', values: {json.dumps(rules)}}}}})")
    return [
        f"{rule['id']} ({rule['impact']}): {', '.join(str(node['target']) for node in rule['nodes'][:3])}"
        for rule in found["violations"]
    ]


def watch_console(page: Page) -> list[str]:
    """Errors and refusals that the page reports from now on."""
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda fault: said.append(str(fault)))
    return said
