"""A chart link opens one course, once, for a short time; the session that it becomes reaches that course only."""

import threading
from datetime import timedelta
from http.cookies import SimpleCookie

import pytest

from service.access.chart_links import LINK_LIFE, SESSION_LIFE, ChartLinks, page_headers
from service.access.clients import keys_inline, revoke, rotate
from service.access.faults import Forbidden, Unauthorised
from service.access.gate import EVERYTHING, Access
from service.access.scopes import parse_scopes
from tests.access.conftest import NOW, new_client
from tests.access.sender import PUBLIC_BASE, both_keys

BASE = "https://readings.example"


def access_of(client_id, scope="chart-link:create", site="north"):
    return Access(client_id, site, "backend", parse_scopes(scope))


def secret_of(link):
    return link.url.rpartition("/")[2]


def cookie_of(opened):
    (morsel,) = SimpleCookie(opened.set_cookie).values()
    return morsel


@pytest.fixture
def links(database):
    return ChartLinks(database, BASE)


def test_a_link_becomes_a_session_of_its_course_and_of_no_other(links, client_id):
    link = links.make(access_of(client_id), "c-1", NOW)
    assert link.url.startswith(f"{BASE}/chart/links/")
    opened = links.open(secret_of(link), NOW)
    assert opened.location == f"{BASE}/chart/courses/c-1"
    session = links.session(cookie_of(opened).value, NOW)
    assert (session.site, session.course_id, session.client_id) == ("north", "c-1", client_id)
    session.require("c-1")
    with pytest.raises(Forbidden):
        session.require("c-2")


def test_the_cookie_is_http_only_same_site_secure_short_and_bound_to_the_course(links, client_id):
    cookie = cookie_of(links.open(secret_of(links.make(access_of(client_id), "c-1", NOW)), NOW))
    assert cookie["httponly"] is True
    assert cookie["samesite"] == "Strict"
    assert cookie["secure"] is True
    assert cookie["path"] == "/chart/courses/c-1"
    assert int(cookie["max-age"]) == SESSION_LIFE.total_seconds()
    assert cookie["domain"] == ""
    assert cookie.key.startswith("__Secure-")


def test_on_loopback_without_tls_the_cookie_can_still_be_set(database, client_id):
    links = ChartLinks(database, PUBLIC_BASE)
    cookie = cookie_of(links.open(secret_of(links.make(access_of(client_id), "c-1", NOW)), NOW))
    assert cookie["secure"] == ""
    assert cookie.key == "chart"


def test_a_link_opens_once(links, client_id):
    secret = secret_of(links.make(access_of(client_id), "c-1", NOW))
    links.open(secret, NOW)
    with pytest.raises(Unauthorised):
        links.open(secret, NOW)


def test_of_many_that_open_one_link_at_once_one_gets_in(either_database):
    links = ChartLinks(either_database, BASE)
    secret = secret_of(links.make(access_of(new_client(either_database)), "c-1", NOW))
    start, results = threading.Barrier(8), []

    def open_it():
        start.wait()
        try:
            links.session(cookie_of(links.open(secret, NOW)).value, NOW)
            results.append("in")
        except Unauthorised:
            results.append("out")

    threads = [threading.Thread(target=open_it) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(results) == ["in", *["out"] * 7]


def test_links_and_sessions_end(links, client_id):
    in_time = links.make(access_of(client_id), "c-1", NOW)
    opened = links.open(secret_of(in_time), NOW + LINK_LIFE - timedelta(seconds=1))
    late = links.make(access_of(client_id), "c-1", NOW)
    with pytest.raises(Unauthorised):
        links.open(secret_of(late), NOW + LINK_LIFE)
    ends_at = NOW + LINK_LIFE - timedelta(seconds=1) + SESSION_LIFE
    links.session(cookie_of(opened).value, ends_at - timedelta(seconds=1))
    with pytest.raises(Unauthorised):
        links.session(cookie_of(opened).value, ends_at)


@pytest.mark.parametrize("how", ["revoked", "rotated"])
def test_a_client_that_is_revoked_or_gets_other_keys_takes_its_links_and_sessions_along(
    database, links, client_id, how
):
    opened = links.open(secret_of(links.make(access_of(client_id), "c-1", NOW)), NOW)
    unopened = links.make(access_of(client_id), "c-1", NOW)
    if how == "revoked":
        revoke(database, client_id, NOW)
    else:
        rotate(database, client_id, keys_inline(both_keys()), NOW)
    with pytest.raises(Unauthorised):
        links.session(cookie_of(opened).value, NOW)
    with pytest.raises(Unauthorised):
        links.open(secret_of(unopened), NOW)


@pytest.mark.parametrize(
    "access",
    [
        Access("nobody", "north", "backend", EVERYTHING),
        Access("demonstration", "demo", "demonstration", EVERYTHING),
        Access("registry", None, "registry", EVERYTHING),
    ],
)
def test_only_a_registered_client_with_a_site_gets_a_link(links, access):
    with pytest.raises(Forbidden):
        links.make(access, "c-1", NOW)


def test_without_its_scope_a_client_gets_no_link(links, client_id):
    with pytest.raises(Forbidden) as forbidden:
        links.make(access_of(client_id, "system/*.cruds intake:read intake:write"), "c-1", NOW)
    assert forbidden.value.scope == "chart-link:create"


@pytest.mark.parametrize("course_id", ["", "../c-1", "c 1", "c-1; Path=/", "c-1\r\nSet-Cookie: x", "c" * 65, "č"])
def test_what_is_no_course_id_gets_into_no_cookie(links, client_id, course_id):
    with pytest.raises(ValueError, match="course_id"):
        links.make(access_of(client_id), course_id, NOW)


@pytest.mark.parametrize("cookie", [None, "", "unknown", "\x00", "é", "x" * 5000, "\ud800"])
def test_an_unknown_cookie_opens_nothing(links, cookie):
    with pytest.raises(Unauthorised):
        links.session(cookie, NOW)


def test_a_link_is_no_token_and_no_session(database, links, client_id):
    from service.access.gate import Gate

    secret = secret_of(links.make(access_of(client_id), "c-1", NOW))
    with pytest.raises(Unauthorised):
        links.session(secret, NOW)
    with pytest.raises(Unauthorised):
        Gate(database).access([f"Bearer {secret}"], NOW)


def test_pages_are_framed_by_the_configured_origins_only_and_load_nothing_from_elsewhere():
    alone = page_headers(())
    assert "frame-ancestors 'none'" in alone["Content-Security-Policy"]
    assert alone["X-Frame-Options"] == "DENY"
    framed = page_headers(("https://chart.example", "https://other.example"))
    assert "frame-ancestors https://chart.example https://other.example" in framed["Content-Security-Policy"]
    assert "default-src 'none'" in framed["Content-Security-Policy"]
    assert "script-src" not in framed["Content-Security-Policy"]
    assert framed["Referrer-Policy"] == "no-referrer"
    assert framed["Cache-Control"] == "no-store"
