"""What a token opens, and when the service opens without one (rows 77 and 79 of the requirement list; RFC 6750)."""

from datetime import timedelta

import pytest

from service.access.clients import registered, revoke
from service.access.faults import Forbidden, RegistrationFault, ScopeFault, StartRefused, Unauthorised
from service.access.gate import Gate
from service.access.opening import asked_on_loopback, demonstration_site
from service.access.settings import AccessSettings, access_settings_from
from service.store.errors import SchemaError
from tests.access.conftest import NOW, new_client
from tests.access.sender import assertion, claims, form, header


def bearer(endpoint, client_id, scope="system/Observation.rs intake:read", at=NOW):
    text = assertion(header(), claims(client_id, at.timestamp()))
    return [f"Bearer {endpoint.grant(form(text, scope), at).access_token}"]


def test_a_token_says_who_asks_for_which_site_and_what_was_granted(database, endpoint, client_id):
    access = Gate(database).access(bearer(endpoint, client_id), NOW)
    assert (access.client_id, access.site, access.kind) == (client_id, "north", "backend")
    assert list(access.scopes) == ["system/Observation.rs", "intake:read"]
    assert access.own_site() == "north"
    access.require("Observation", "vread")
    access.require_own("intake:read")
    for denied in (
        lambda: access.require("Patient", "read"),
        lambda: access.require("Observation", "create"),
        lambda: access.require("*", "search-system"),
        lambda: access.require_own("intake:write"),
    ):
        with pytest.raises(Forbidden) as forbidden:
            denied()
        assert forbidden.value.scope


@pytest.mark.parametrize(("after_s", "valid"), [(0, True), (299, True), (300, False), (301, False), (-61, False)])
def test_a_token_is_valid_for_five_minutes(database, endpoint, client_id, after_s, valid):
    token = bearer(endpoint, client_id)
    at = NOW + timedelta(seconds=after_s)
    if valid:
        Gate(database).access(token, at)
    else:
        with pytest.raises(Unauthorised):
            Gate(database).access(token, at)


def test_a_machine_whose_clock_is_half_a_minute_behind_knows_the_token_too(database, endpoint, client_id):
    Gate(database).access(bearer(endpoint, client_id), NOW - timedelta(seconds=30))


def test_nearby_a_token_opens_the_same_and_no_longer(database, endpoint, client_id):
    gate, token = Gate(database), bearer(endpoint, client_id)
    assert gate.access_nearby(token, NOW) == gate.access(token, NOW)
    with pytest.raises(Unauthorised):
        gate.access_nearby(token, NOW + timedelta(seconds=300))
    with pytest.raises(Unauthorised):
        gate.access_nearby([], NOW)
    revoke(database, client_id, NOW)
    with pytest.raises(Unauthorised):
        gate.access_nearby(token, NOW)


def test_revocation_works_with_the_next_request_in_every_process(database, endpoint, client_id, tmp_path):
    from service.store.access import open_access_database

    elsewhere = open_access_database(f"sqlite:///{tmp_path / 'access.sqlite3'}")
    gate, other_gate = Gate(database), Gate(elsewhere)
    token = bearer(endpoint, client_id)
    gate.access(token, NOW)
    other_gate.access(token, NOW)
    revoke(elsewhere, client_id, NOW)
    for each in (gate, other_gate):
        with pytest.raises(Unauthorised):
            each.access(token, NOW)
    elsewhere.close()


def test_a_client_that_an_operator_marks_as_revoked_by_hand_is_revoked(database, endpoint, client_id):
    token = bearer(endpoint, client_id)
    with database.write() as connection:
        connection.exec_driver_sql("UPDATE clients SET revoked_at = 1")
    with pytest.raises(Unauthorised):
        Gate(database).access(token, NOW)


def test_revoking_one_client_leaves_the_others(database, endpoint, client_id):
    other = new_client(database, site="south")
    token = bearer(endpoint, other)
    revoke(database, client_id, NOW)
    assert Gate(database).access(token, NOW).site == "south"


@pytest.mark.parametrize(
    "given",
    [
        [],
        [""],
        ["Bearer"],
        ["Bearer "],
        ["Bearer unknown"],
        ["Basic dXNlcjpwYXNz"],
        ["Bearer a b"],
        ["Bearer a,b"],
        ["Bearer \x00"],
        ["Bearer é"],
        ["Bearer '; DROP TABLE clients; --"],
        ["Bearer " + "x" * 513],
        ["Token abc"],
        ["bearer\tabc"],
    ],
)
def test_without_a_valid_token_nobody_is_let_in(database, client_id, given):
    with pytest.raises(Unauthorised):
        Gate(database, "demo").access(given, NOW)


def test_two_authorization_headers_are_refused_though_one_is_valid(database, endpoint, client_id):
    token = bearer(endpoint, client_id)
    Gate(database).access(token, NOW)
    with pytest.raises(Unauthorised):
        Gate(database).access([*token, "Bearer other"], NOW)


def test_the_scheme_is_read_in_any_case(database, endpoint, client_id):
    token = bearer(endpoint, client_id)[0].partition(" ")[2]
    for scheme in ("bearer", "BEARER", "Bearer"):
        Gate(database).access([f"{scheme} {token}"], NOW)


def test_a_registry_has_no_site_and_is_refused_identified_data(database, endpoint):
    registry = new_client(database, site=None, scope="system/*.rs", registry=True)
    access = Gate(database).access(bearer(endpoint, registry, "system/*.rs"), NOW)
    assert (access.kind, access.site) == ("registry", None)
    with pytest.raises(Forbidden):
        access.own_site()


@pytest.mark.parametrize("scope", ["intake:write", "intake:read", "chart-link:create", "system/Task.cruds"])
def test_a_registry_is_not_given_scopes_that_chart(database, scope):
    with pytest.raises(ScopeFault):
        new_client(database, site=None, scope=scope, registry=True)


@pytest.mark.parametrize("site", ["", " north", "n" * 65, "a\nb", None])
def test_a_client_has_one_site_with_a_proper_key(database, site):
    with pytest.raises(RegistrationFault):
        new_client(database, site=site)


# Open or not

LOCAL = {"host": "127.0.0.1", "public_base": "http://127.0.0.1:8080", "site": "demo"}


@pytest.mark.parametrize(
    "change", [{}, {"host": "::1", "public_base": "http://[::1]:8080"}, {"public_base": "http://localhost:1"}]
)
def test_the_demonstration_is_open_on_loopback_while_no_client_was_ever_registered(database, change):
    assert demonstration_site(database, **LOCAL | change) == "demo"


@pytest.mark.parametrize(
    "change",
    [
        {"host": "0.0.0.0"},
        {"host": "192.0.2.7"},
        {"host": "::"},
        {"public_base": "http://readings.example"},
        {"public_base": "https://readings.example"},
        {"public_base": "http://127.0.0.1.readings.example"},
        {"site": "north"},
    ],
)
def test_anything_else_without_a_client_does_not_start_and_says_why(database, change):
    with pytest.raises(StartRefused, match="closure-readings clients add"):
        demonstration_site(database, **LOCAL | change)


def test_with_a_client_access_control_is_on_also_for_the_demonstration_site_and_after_its_revocation(database):
    client_id = new_client(database, site="demo")
    assert demonstration_site(database, **LOCAL) is None
    revoke(database, client_id, NOW)
    assert demonstration_site(database, **LOCAL) is None
    assert registered(database)[0].revoked_at is not None


def test_tokens_do_not_travel_in_the_clear(database, client_id):
    with pytest.raises(StartRefused, match="https"):
        demonstration_site(database, host="0.0.0.0", public_base="http://readings.example", site="north")
    secure = {"public_base": "https://readings.example", "site": "north"}
    assert demonstration_site(database, host="0.0.0.0", **secure) is None
    assert demonstration_site(database, host="127.0.0.1", **secure) is None  # a TLS terminator in front


def test_the_open_demonstration_ends_with_the_first_client_that_another_process_registers(database):
    gate = Gate(database, "demo")
    access = gate.access([], NOW)
    assert (access.site, access.kind) == ("demo", "demonstration")
    access.require("Observation", "delete")
    access.require_own("intake:write")
    new_client(database, site="north")
    with pytest.raises(Unauthorised):
        gate.access([], NOW)
    assert not gate.is_open()


def test_a_wrong_token_is_refused_in_the_open_demonstration_too(database):
    with pytest.raises(Unauthorised):
        Gate(database, "demo").access(["Bearer unknown"], NOW)


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.1:8080", "localhost:8080", "[::1]:8080", "LOCALHOST"])
def test_the_open_demonstration_answers_to_the_names_of_this_machine(host):
    assert asked_on_loopback(host, forwarded=False)
    assert not asked_on_loopback(host, forwarded=True)


@pytest.mark.parametrize("host", ["", "readings.example", "127.0.0.1.example", "localhost.example", "[", "0.0.0.0"])
def test_it_does_not_answer_to_a_name_that_somebody_points_at_it(host):
    assert not asked_on_loopback(host, forwarded=False)


def test_a_database_without_the_tables_is_a_schema_error_and_lets_nobody_in(tmp_path):
    from service.store.access import open_access_database

    empty = open_access_database(f"sqlite:///{tmp_path / 'empty.sqlite3'}")
    with pytest.raises(SchemaError):
        empty.ready()
    with pytest.raises(SchemaError):
        Gate(empty, "demo").access([], NOW)
    empty.close()


# Settings


def test_nothing_is_fetched_or_framed_unless_the_environment_says_so():
    assert access_settings_from({}) == AccessSettings()
    given = access_settings_from(
        {
            "CLOSURE_READINGS_JWKS_HOSTS": "keys.example, other.example:8443",
            "CLOSURE_READINGS_FRAME_ORIGINS": "https://chart.example,http://127.0.0.1:3000",
            "CLOSURE_READINGS_CLOCK_SKEW_S": "30",
        }
    )
    assert given.jwks_hosts == {"keys.example", "other.example:8443"}
    assert given.frame_origins == ("https://chart.example", "http://127.0.0.1:3000")
    assert given.clock_skew_s == 30


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("CLOSURE_READINGS_JWKS_HOSTS", "https://keys.example"),
        ("CLOSURE_READINGS_JWKS_HOSTS", "*.example"),
        ("CLOSURE_READINGS_JWKS_HOSTS", "Keys.example"),
        ("CLOSURE_READINGS_FRAME_ORIGINS", "*"),
        ("CLOSURE_READINGS_FRAME_ORIGINS", "https://*.example"),
        ("CLOSURE_READINGS_FRAME_ORIGINS", "http://chart.example"),
        ("CLOSURE_READINGS_FRAME_ORIGINS", "https://chart.example/"),
        ("CLOSURE_READINGS_FRAME_ORIGINS", "https://chart.example; script-src *"),
        ("CLOSURE_READINGS_CLOCK_SKEW_S", "61"),
        ("CLOSURE_READINGS_CLOCK_SKEW_S", "-1"),
        ("CLOSURE_READINGS_CLOCK_SKEW_S", "soon"),
    ],
)
def test_a_setting_that_cannot_be_used_is_refused_by_its_name(name, value):
    with pytest.raises(ValueError, match=name):
        access_settings_from({name: value})
