"""A ward with an empty record for each test; one browser a file of tests."""

import pytest

from tests.pages.browser import chromium
from tests.pages.ward import open_ward


@pytest.fixture
def ward(tmp_path):
    made = open_ward(tmp_path)
    yield made
    made.workflow.close()


@pytest.fixture(scope="module")
def browser():
    with chromium() as opened:
        yield opened
