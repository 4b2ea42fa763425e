"""The layout plan over HTTP. Its figures are proved in tests/clinic/test_layout.py; here the call itself."""

import re
from urllib.parse import urlsplit

import pytest

from service import strict_json
from service.clinic.caution import CAUTION
from service.clinic.layout import plan_for
from service.clinic.layout_words import plan_view
from service.clinic.policy import default_policy
from service.intake.planning import review_wound

WOUND = {"length_mm": 100, "max_gap_mm": 50}


def ask(client, body=WOUND, accept=None):
    headers = {} if accept is None else {"Accept": accept}
    return client.post("/intake/plan", json=body, headers=headers)


def sheet_link(answer):
    parts = urlsplit(answer.json()["links"]["sheet"])
    return f"{parts.path}?{parts.query}"


def test_a_plan_holds_anchors_setback_bands_cut_lengths_and_targets(client):
    answer = ask(client)
    assert (answer.status_code, answer.headers["content-type"]) == (200, "application/json")
    plan = answer.json()
    assert (plan["anchors_per_side"], plan["anchors"], plan["setback_mm"]) == (11, 22, 12.5)
    assert plan["anchor_stations_mm"] == list(range(0, 101, 10))
    middle = plan["bands"][5]  # by hand: gap 50, span 75, target 1.95: 75/1.95 + 100 mm
    assert (middle["station_mm"], middle["target_stretch_ratio"], middle["target_mark_mm"]) == (50, 1.95, 19.5)
    assert (middle["cut_length_mm"], middle["order"]) == (138.461538, 1)
    assert plan["caution"] == CAUTION
    assert "to cut 139 mm" in middle["text"]


def test_http_and_command_line_show_what_the_clinic_gives(client):
    policy = default_policy()
    expected = plan_view(plan_for(review_wound(WOUND, policy), policy), policy)
    shown = strict_json.read(ask(client).content)
    del shown["links"]
    assert shown == strict_json.read(strict_json.write(expected))


def test_nothing_is_stored(client):
    ask(client)
    assert client.get("/intake/courses").json()["courses"] == []


@pytest.mark.parametrize(
    ("body", "pointers"),
    [
        ({}, {"/length_mm", "/max_gap_mm"}),
        ({"length_mm": "long", "max_gap_mm": 401, "setback": 12}, {"/length_mm", "/max_gap_mm", "/setback"}),
        ({"length_mm": 9, "max_gap_mm": -1, "rest_mark_mm": 1}, {"/length_mm", "/max_gap_mm", "/rest_mark_mm"}),
        (WOUND | {"anchor_interval_mm": 4, "setback_mm": 31}, {"/anchor_interval_mm", "/setback_mm"}),
        (WOUND | {"setback_mm": None}, {"/setback_mm"}),
        (WOUND | {"rest_mark_mm": True}, {"/rest_mark_mm"}),
        ({"length_mm": 1000, "max_gap_mm": 50}, {"/length_mm"}),  # 101 bands at 10 mm; an installation charts 100
        ({"length_mm": 500, "max_gap_mm": 50, "anchor_interval_mm": 5}, {"/anchor_interval_mm"}),
        ([WOUND], {""}),
    ],
)
def test_every_fault_of_a_request_is_named_with_its_pointer(client, body, pointers):
    answer = ask(client, body)
    assert (answer.status_code, answer.headers["content-type"]) == (422, "application/problem+json")
    assert {error["pointer"] for error in answer.json()["errors"]} == pointers


@pytest.mark.parametrize(
    ("body", "status"),
    [(b"{", 400), (b'{"length_mm": NaN}', 400), (b'{"length_mm": 1, "length_mm": 2}', 400), (b"\xff", 400)],
)
def test_what_is_no_json_is_refused(client, body, status):
    assert client.post("/intake/plan", content=body, headers={"Content-Type": "application/json"}).status_code == status


def test_another_media_type_is_refused(client):
    assert client.post("/intake/plan", content=b"{}", headers={"Content-Type": "text/plain"}).status_code == 415


@pytest.mark.parametrize(
    ("accept", "html"),
    [
        ("text/html", True),
        ("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8", True),
        ("application/json", False),
        ("*/*", False),
        ("application/json, text/html;q=0.9", False),
        ("application/json;q=0.1, text/html", True),
        ("text/html;q=0", False),
        ("text/html;q=nonsense", False),
        ("", False),
    ],
)
def test_a_client_that_asks_for_html_gets_the_sheet(client, accept, html):
    # Source: RFC 9110, 12.5.1: the media range with the greater quality is preferred, 0 is not acceptable.
    answer = ask(client, accept=accept)
    assert answer.headers["content-type"].startswith("text/html" if html else "application/json")
    assert answer.headers["vary"] == "Accept"


def test_the_link_of_a_plan_leads_to_the_same_sheet(client):
    body = WOUND | {"rest_mark_mm": 12.5, "anchor_interval_mm": 20, "setback_mm": 11}
    linked = client.get(sheet_link(ask(client, body)))
    assert (linked.status_code, linked.headers["content-type"]) == (200, "text/html; charset=utf-8")
    assert linked.text == ask(client, body, accept="text/html").text


def test_the_sheet_loads_nothing_and_runs_nothing(client):
    answer = client.get(sheet_link(ask(client)))
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    assert not re.search(r"<script|<link|<img|src=|url\(", answer.text)


def test_every_fault_of_a_sheets_parameters_is_named(client):
    answer = client.get("/intake/plan/sheet?length_mm=1e3&max_gap_mm=999&colour=red&max_gap_mm=5")
    assert (answer.status_code, answer.headers["content-type"]) == (422, "application/problem+json")
    named = {error["parameter"] for error in answer.json()["errors"]}
    assert named == {"length_mm", "max_gap_mm", "colour"}


def test_openapi_describes_the_plan_with_an_example_that_the_call_gives(client):
    document = client.get("/openapi.json").json()
    call = document["paths"]["/intake/plan"]["post"]
    sent = next(iter(call["requestBody"]["content"]["application/json"]["examples"].values()))["value"]
    described = call["responses"]["200"]["content"]["application/json"]["example"]
    given = ask(client, sent).json()
    del given["links"]
    assert given == described
    parameters = {one["name"] for one in document["paths"]["/intake/plan/sheet"]["get"]["parameters"]}
    assert parameters == {"length_mm", "max_gap_mm", "rest_mark_mm", "anchor_interval_mm", "setback_mm"}
