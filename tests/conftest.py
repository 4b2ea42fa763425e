"""What the whole suite shares: the engines, and that skips can be forbidden, so that CI proves all that it claims."""

import os

import pytest

from tests.engines import database_url, postgresql, postgresql_url  # noqa: F401 - fixtures of the whole suite

FORBID_SKIPS = os.environ.get("CLOSURE_READINGS_FORBID_SKIPS") == "1"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]):
    report = yield
    if FORBID_SKIPS and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped where skips are forbidden: {report.longrepr}"
    return report
