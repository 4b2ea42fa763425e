"""Another service of our own kind as a destination: it is no receiver, `check` says so, and what is sent is held."""

import pytest

from tests.delivery.test_commands import NAME, SITE, as_json, call, record, url  # noqa: F401  # the fixture url
from tests.live import live_service


@pytest.fixture
def other(tmp_path):
    folder = tmp_path / "other"
    folder.mkdir()
    with live_service(folder) as live:
        yield live


def test_check_says_that_it_is_no_receiver_and_what_is_sent_all_the_same_is_held_with_its_reasons(url, other):  # noqa: F811  # the fixture
    added = call("destinations", "add", NAME, "--site", SITE, "--url", other.fhir, "--writing", "put")
    assert added.exit_code == 0
    found = call("destinations", "check", NAME, "--site", SITE)
    assert found.exit_code == 1
    first, why, *rest = found.stdout.splitlines()
    assert first.startswith("closure-readings ")
    assert why.startswith("problem: it is this service, or another of its kind")
    (line,) = rest
    assert line.endswith(": update is not offered")
    assert "proposed" not in found.stdout, "no settings would help"
    record(url, 1)
    assert call("deliver", "--once").exit_code == 1
    (held,) = as_json("deliveries", "--held")["deliveries"]
    assert held["refusal"].startswith("HTTP 4")
    assert call("deliveries", "--held").stdout.splitlines()[2].startswith("    HTTP 4")
