"""schemathesis (https://schemathesis.readthedocs.io) on the OpenAPI document of a real server: no request breaks it."""

from contextlib import suppress

import pytest
import requests
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis.checks import not_a_server_error

from service import strict_json
from tests.intake.documents import check, course_file, installation
from tests.live import live_service

EXAMPLES = 12  # of each operation, and as many that break what the document says of it


@pytest.fixture(scope="module")
def live(tmp_path_factory):
    folder = tmp_path_factory.mktemp("live")
    with live_service(folder, CLOSURE_READINGS_SYNCHRONOUS="OFF") as service:
        document = strict_json.write(course_file(installation(), check()))
        headers = {"Content-Type": "application/json"}
        assert requests.post(f"{service.base}/intake/courses", data=document, headers=headers, timeout=10).ok
        yield service, folder


@pytest.mark.slow
@pytest.mark.timeout(240)
def test_no_request_that_the_document_allows_or_forbids_is_answered_with_5xx(live):
    service, folder = live
    schema = schemathesis.openapi.from_url(f"{service.base}/openapi.json")
    asked: dict[str, int] = {}
    for found in schema.get_all_operations():
        operation = found.ok()
        ask(operation, operation.as_strategy(), asked)
        with suppress(Unsatisfiable):  # an operation without parameters or body: nothing of it can be broken
            ask(operation, negative(operation), asked)
    described = requests.get(f"{service.base}/openapi.json", timeout=10).json()["paths"]
    assert len(asked) == sum(len(path) for path in described.values()), "every operation was asked"
    assert sum(asked.values()) > 250
    log = (folder / "serve.log").read_text("utf-8", errors="replace")
    assert "answered 500" not in log
    assert "Traceback" not in log


def negative(operation):
    """Requests that break what the document says."""
    return operation.as_strategy(generation_mode=schemathesis.GenerationMode.NEGATIVE)


def ask(operation, strategy, asked):
    """Send requests of one operation; derandomised, so that a run is the same as the last."""

    @settings(
        max_examples=EXAMPLES, derandomize=True, deadline=None, database=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(case=strategy)
    def send(case):
        case.validate_response(case.call(timeout=20), checks=[not_a_server_error])
        asked[operation.label] = asked.get(operation.label, 0) + 1

    send()
