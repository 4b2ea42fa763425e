"""What waits for the hospital's servers and what is held: told in the server's words, with the command that decides."""

import re
import shlex

import pytest
from starlette.testclient import TestClient

from service.commands.deliveries import decide
from service.store.outbox_rows import HELD, list_rows, settle
from tests.pages.test_course_page import HOSTILE, Page
from tests.pages.ward import EXAMPLES, load, send_to, ward_app

REFUSAL = "Patient?identifier=... found 2 matches"


@pytest.fixture
def client(ward):
    return TestClient(ward_app(ward), base_url=ward.base)


def hold(ward, course, words=REFUSAL):
    with ward.workflow.store.write(ward.workflow.site.key, ward.now) as unit:
        rows = [row for row in list_rows(unit.connection, unit.site, states=["waiting"]) if row.course_id == course]
        settle(unit.connection, unit.site, [row.number for row in rows], HELD, 0, words)


def told(client):
    answer = client.get("/ward/deliveries")
    assert answer.status_code == 200
    return answer.text


def test_a_site_that_sends_to_nobody_is_told_so_and_its_board_links_nowhere(ward, client):
    load(ward, EXAMPLES[0], 3)
    assert "This site sends to no other server." in told(client)
    assert "/deliveries" not in client.get("/ward").text


def test_what_waits_and_what_is_held_stands_there_since_when_and_why(ward, client):
    held, waiting = load(ward, EXAMPLES[0], 3), load(ward, EXAMPLES[1], 2)
    send_to(ward)
    hold(ward, held)
    ward.later(hours=2)
    page = Page(told(client)).text
    assert page.index("Held: a person has to look") < page.index(held) < page.index("Waiting to be sent")
    assert page.index("Waiting to be sent") < page.index(waiting)
    assert REFUSAL in page
    assert "2 h 0 min ago" in page
    assert ward.shown[-1] == sorted([held, waiting])  # in the audit record
    board = client.get("/ward").text
    assert "1 course is held on its way to a chart." in board
    assert 'href="/ward/deliveries"' in board


def test_the_command_on_the_page_sends_again_what_was_held(ward, client, monkeypatch):
    course = load(ward, EXAMPLES[0], 3)
    send_to(ward)
    hold(ward, course)
    monkeypatch.setenv("DATABASE_URL", ward.workflow.settings.database_url)
    (command,) = re.findall(r"<code>(.*)</code>", told(client))
    words = shlex.split(command.replace("&#34;", '"'))
    assert words[:3] == ["closure-readings", "deliveries", "redrive"]
    named = dict(zip(words[4::2], words[5::2], strict=True))
    assert decide("redrive", named["--site"], int(words[3]), None, named["--reason"], "operator") == 0
    assert "Nothing is held." in told(client)
    assert course in Page(told(client)).text.partition("Waiting to be sent")[2]


def test_later_writes_of_a_held_course_wait_behind_it_and_are_not_told_as_on_their_way(ward, client):
    course = load(ward, EXAMPLES[0], 3)
    send_to(ward)
    hold(ward, course)
    load(ward, EXAMPLES[0], 4)
    page = Page(told(client)).text
    assert "1 more waits behind it" in page
    assert "Nothing waits." in page


def test_a_destination_that_is_paused_or_fails_says_so_by_word(ward, client):
    load(ward, EXAMPLES[0], 1)
    send_to(ward, "one", paused=True)
    send_to(ward, "two", fault="no answer within 30 s")
    page = Page(told(client)).text
    assert "paused by a person" in page
    assert "does not answer as it should" in page
    assert "no answer within 30 s" in page


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_words_of_another_server_stay_words(ward, client, text):
    course = load(ward, EXAMPLES[0], 1)
    send_to(ward)
    hold(ward, course, text)
    page = Page(told(client))
    assert text in page.text
    assert page.tags.count("script") == 1
    assert "onmouseover" not in page.attributes


def test_it_is_read_only(client):
    assert client.post("/ward/deliveries").status_code == 405
    assert "form" not in Page(told(client)).tags
