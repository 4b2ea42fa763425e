"""What the whole suite shares: the engines, and that skips can be forbidden, so that CI proves all that it claims."""

import os

import pytest
from hypothesis import settings

from tests.engines import database_url, postgresql, postgresql_url  # noqa: F401 - fixtures of the whole suite
from tests.log_scan import pytest_configure  # noqa: F401 - reads every log line of the run

FORBID_SKIPS = os.environ.get("CLOSURE_READINGS_FORBID_SKIPS") == "1"
# A loaded machine is no fault of the code: how long an example takes is never asserted. CI runs the same examples each
# time; elsewhere every run looks at others.
settings.register_profile("suite", deadline=None, derandomize=FORBID_SKIPS)
settings.load_profile("suite")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]):
    report = yield
    if FORBID_SKIPS and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped where skips are forbidden: {report.longrepr}"
    # What was captured may hold lone surrogates, which cannot pass from one process of a run to another.
    report.sections = [(name, text.encode("utf-8", "backslashreplace").decode()) for name, text in report.sections]
    return report
