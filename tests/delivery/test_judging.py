"""Temporary or final, how long to wait, what a log may say. RFC 9110 15; the choice of statuses: docs/delivery.md."""

import json
from datetime import UTC, datetime

import pytest

from service.delivery.faults import Refused, Temporary
from service.delivery.judging import LONGEST_AFTER_S, judge, retry_after_s
from service.delivery.waiting import Waits

NOW = datetime(2026, 3, 9, 11, 0, tzinfo=UTC)
OUTCOME = json.dumps(
    {
        "resourceType": "OperationOutcome",
        "issue": [
            {
                "severity": "error",
                "code": "business-rule",
                "diagnostics": "Jorin Haskett has no open stay",
                "expression": ["Bundle.entry[3].resource"],
            }
        ],
    }
).encode()


@pytest.mark.parametrize("status", [200, 201, 204])
def test_a_success_is_let_pass(status):
    judge(status, {}, b"", NOW)


@pytest.mark.parametrize("status", [401, 408, 429, 500, 501, 502, 503, 504, 599])
def test_what_may_pass_by_itself_is_temporary(status):
    with pytest.raises(Temporary) as met:
        judge(status, {}, OUTCOME, NOW)
    assert "Haskett" not in str(met.value)


@pytest.mark.parametrize("status", [301, 307, 400, 403, 404, 405, 409, 410, 412, 413, 415, 422])
def test_everything_else_is_final(status):
    with pytest.raises(Refused):
        judge(status, {}, OUTCOME, NOW)


@pytest.mark.parametrize(("status", "whole"), [(429, True), (503, True), (401, True), (500, False), (408, False)])
def test_only_what_is_about_the_server_keeps_others_waiting(status, whole):
    with pytest.raises(Temporary) as met:
        judge(status, {}, b"", NOW)
    assert met.value.whole_server is whole


def test_the_words_are_kept_for_a_person_and_a_log_has_codes_alone():
    with pytest.raises(Refused) as met:
        judge(422, {}, OUTCOME, NOW)
    assert str(met.value) == "HTTP 422 (business-rule)"
    assert "Jorin Haskett has no open stay" in met.value.words
    assert "Bundle.entry[3].resource" in met.value.words


@pytest.mark.parametrize(
    "body", [b"<html>no</html>", b"\xff\x00", b"[1]", b'{"resourceType":"OperationOutcome","issue":7}']
)
def test_a_refusal_in_any_shape_is_kept(body):
    with pytest.raises(Refused) as met:
        judge(400, {}, body, NOW)
    assert str(met.value) == "HTTP 400"
    assert "\x00" not in met.value.words, "PostgreSQL takes no NUL in a text"


def test_a_code_that_is_a_sentence_reaches_no_log():
    body = json.dumps({"resourceType": "OperationOutcome", "issue": [{"code": "Jorin Haskett, T100231"}]}).encode()
    with pytest.raises(Refused) as met:
        judge(400, {}, body, NOW)
    assert str(met.value) == "HTTP 400 (issue)"


@pytest.mark.parametrize(
    ("given", "seconds"),
    [
        ("120", 120.0),
        (" 0 ", 0.0),
        ("Mon, 09 Mar 2026 11:00:30 GMT", 30.0),
        ("Monday, 09-Mar-26 11:00:30 GMT", 30.0),
        ("Mon Mar  9 11:00:30 2026", 30.0),
        ("Mon, 09 Mar 2026 10:00:00 GMT", 0.0),
        ("99999999999999999999", LONGEST_AFTER_S),
        ("Fri, 31 Dec 2099 23:59:59 GMT", LONGEST_AFTER_S),
        ("soon", None),
        ("-5", None),
        ("", None),
        (None, None),
    ],
)
def test_retry_after_is_read_in_both_forms(given, seconds):
    """RFC 9110 10.2.3 and 5.6.7: seconds, or a date in one of three forms."""
    assert retry_after_s(given, NOW) == seconds


def test_waits_double_up_to_the_longest_and_never_end():
    waits = Waits(1.0, 900.0, lambda low, high: high)
    assert [waits.wait_s(n) for n in (1, 2, 3, 9, 10, 11, 10_000)] == [2, 4, 8, 512, 900, 900, 900]


def test_the_wait_is_drawn_from_the_whole_range():
    asked = []
    Waits(1.0, 900.0, lambda low, high: asked.append((low, high)) or low).wait_s(3)
    assert asked == [(0.0, 8.0)]


def test_retry_after_is_never_undercut():
    assert Waits(1.0, 900.0, lambda low, high: low).wait_s(1, after_s=30) == 30
    assert Waits(1.0, 900.0, lambda low, high: high).wait_s(9, after_s=1800) == 1801
