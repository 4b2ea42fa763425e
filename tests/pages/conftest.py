"""One browser a file of tests."""

import pytest

from tests.pages.browser import chromium


@pytest.fixture(scope="module")
def browser():
    with chromium() as opened:
        yield opened
