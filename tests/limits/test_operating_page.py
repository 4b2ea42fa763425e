"""The figures of docs/operating.md are those in force, and its names exist."""

import re
from pathlib import Path

import h11._connection
import pytest
import uvicorn

from service import strict_json
from service.access import token_form
from service.api import intake, limits, rate, routing
from service.api.limits import Limits, limits_from
from service.api.metrics import Metrics
from service.api.observing import Observed
from service.api.protocol import protocol_with
from service.commands.serving import server_config
from service.commands.tls import PASSWORD_FILE
from service.logs import FIELDS, LEVELS
from service.search import query
from service.workflow import auditing

PAGE = (Path(__file__).resolve().parents[2] / "docs/operating.md").read_text("utf-8")


def rows(heading):
    """Cells of the tables of a section."""
    section = PAGE.partition(f"\n## {heading}\n")[2].partition("\n## ")[0]
    found = [[cell.strip() for cell in line.strip("|").split(" | ")] for line in section.splitlines() if "|" in line]
    return [cells for cells in found if not set(cells[0]) <= {"-", " ", "|"}]


@pytest.fixture(scope="module")
def config():
    return server_config(None, "127.0.0.1", 0, Limits(), None)


def in_force(config):
    served = protocol_with(Limits()).limits
    return {
        "requests of a client, or of an address where nobody signed in, a minute": Limits().requests_per_minute,
        "requests for a token of an address, a minute": Limits().token_requests_per_minute,
        "buckets remembered, each kind": rate.MOST_BUCKETS,
        "time for a request's header, s": served.header_s,
        "time for a body, s": Limits().body_s,
        "time without taking in any of the answer, s": served.answer_stalled_s,
        "time an idle connection is kept, s": config.timeout_keep_alive,
        "open connections": served.connections,
        "threads at work": Limits().worker_threads,
        "time for requests under way at the end, s": config.timeout_graceful_shutdown,
        "header of a request, bytes": h11._connection.DEFAULT_MAX_INCOMPLETE_EVENT_SIZE,
        "body of a document, bytes": strict_json.LARGEST_DOCUMENT,
        "form of a search, bytes": routing.LARGEST_FORM,
        "form for a token, bytes": token_form.LARGEST_FORM,
        "nesting of JSON": strict_json.DEEPEST_NESTING,
        "digits of a number": strict_json.MOST_DIGITS,
        "values of a search, characters together": query.MAX_LENGTH,
        "resources on a page": query.MAX_COUNT,
        "the same with what is included": query.MAX_COUNT_WITH_INCLUDES,
        "courses on a page": intake.LARGEST_PAGE,
        "accesses that wait to be recorded": auditing.MOST_WAITING,
    }


def test_every_figure_of_the_table_of_limits_is_the_one_in_force(config):
    told = {cells[0]: float(cells[1]) for cells in rows("Limits") if cells[0] != "what"}
    assert told == in_force(config)
    assert config.h11_max_incomplete_event_size is None  # the library's own, as told


def test_every_setting_of_the_table_is_read_within_the_range_told():
    told = {}
    for cells in rows("Limits"):
        if found := re.match(r"`(CLOSURE_READINGS_\w+)` (\d+) to (\d+)", cells[2]):
            told[found[1]] = (int(found[2]), int(found[3]))
    assert told == {name: (least, largest) for name, least, largest in limits.BOUNDS.values()}
    for name, (least, largest) in told.items():
        limits_from({name: str(least)})
        limits_from({name: str(largest)})
        for text in (str(largest + 1), str(least - 1)):
            with pytest.raises(ValueError, match=name):
                limits_from({name: text})


def test_every_number_of_the_table_is_one_that_is_shown_and_the_other_way_round():
    shown = set(re.findall(r"^# TYPE (closure_\w+)", Metrics("1").text().decode(), re.MULTILINE))
    told = {cells[0].strip("`") for cells in rows("Numbers")} - {"name", "process_..."}
    assert told == {name for name in shown if not name.endswith("_created")}


def test_the_fields_of_a_requests_line_are_those_that_may_be_written():
    fields = {name for cells in rows("Log") for name in re.findall(r"`(\w+)`", cells[0])}
    asked = {"method", "route", "status", "duration_ms", "request_id", "client", "site", "reason", "broken"}
    assert asked <= fields
    assert asked <= set(FIELDS)
    assert all(f"`{level}`" in PAGE for level in LEVELS)


def test_the_names_on_the_page_exist():
    assert PASSWORD_FILE in PAGE
    assert Observed.__module__ == "service.api.observing"
    assert uvicorn.Config("x", log_config=None).forwarded_allow_ips == "127.0.0.1,::1"
    for path in ("/live", "/ready", "/health", "/metrics"):
        assert f"`GET {path}`" in PAGE
    assert (Path(__file__).resolve().parents[1] / "log_scan.py").is_file()
