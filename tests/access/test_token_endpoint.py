"""The token endpoint does what SMART Backend Services asks (J4 to J8; rows 70 to 76 of the requirement list).

Sources: SMART App Launch 2.2.0 (backend-services, client-confidential-asymmetric), RFC 6749 4.4 and 5, RFC 7523 3.
"""

from datetime import timedelta

import pytest

from service.access.clients import keys_inline, revoke, rotate
from service.access.faults import TokenRefused, Unauthorised
from service.access.gate import Gate
from service.access.key_fetch import KeySets
from service.access.token_endpoint import NOT_A_CLIENT, TokenEndpoint
from tests.access.conftest import NOW, new_client
from tests.access.sender import (
    TOKEN_URL,
    TYPES,
    assertion,
    claims,
    ec_jwk,
    ec_key,
    form,
    header,
    key_set,
    rsa_jwk,
    rsa_key,
)

NOW_S = NOW.timestamp()


def asked(client_id, alg="RS384", scope="system/Observation.rs", **changes):
    return form(assertion(header(alg), claims(client_id, NOW_S, **changes)), scope)


@pytest.mark.parametrize("alg", ["RS384", "ES384"])
def test_j8_a_good_assertion_is_worth_a_bearer_token_of_at_most_five_minutes(endpoint, client_id, alg):
    answer = endpoint.grant(asked(client_id, alg), NOW).answer()
    assert answer.keys() == {"access_token", "token_type", "expires_in", "scope"}
    assert answer["token_type"] == "bearer"
    assert 0 < answer["expires_in"] <= 300
    assert answer["scope"] == "system/Observation.rs"
    assert len(answer["access_token"]) >= 43  # 256 bits


def test_both_engines_grant_refuse_a_repeated_jti_and_know_the_bearer(either_database):
    client_id = new_client(either_database)
    endpoint = TokenEndpoint(either_database, KeySets(frozenset()), TOKEN_URL, TYPES)
    request = asked(client_id)
    token = endpoint.grant(request, NOW).access_token
    assert Gate(either_database).access([f"Bearer {token}"], NOW).client_id == client_id
    with pytest.raises(TokenRefused, match="jti was used before"):
        endpoint.grant(request, NOW)
    revoke(either_database, client_id, NOW)
    with pytest.raises(Unauthorised):
        Gate(either_database).access([f"Bearer {token}"], NOW)


def test_the_database_holds_no_token_and_no_jti_in_words(endpoint, client_id, tmp_path):
    token = endpoint.grant(asked(client_id, jti="jti-written-nowhere"), NOW).access_token
    held = b"".join(path.read_bytes() for path in tmp_path.glob("access.sqlite3*"))
    assert client_id.encode() in held
    assert token.encode() not in held
    assert b"jti-written-nowhere" not in held


@pytest.mark.parametrize(
    ("ahead_s", "taken"), [(299, True), (300, True), (301, False), (3600, False), (1, True), (0, False), (-1, False)]
)
def test_j5_exp_lies_ahead_by_at_most_five_minutes(endpoint, client_id, ahead_s, taken):
    request = asked(client_id, exp=int(NOW_S) + ahead_s)
    if taken:
        endpoint.grant(request, NOW)
    else:
        with pytest.raises(TokenRefused) as refused:
            endpoint.grant(request, NOW)
        assert refused.value.error == "invalid_client"


@pytest.mark.parametrize(("ahead_s", "taken"), [(320, True), (331, False), (-20, True), (-31, False)])
def test_a_configured_skew_is_given_on_both_sides(database, client_id, ahead_s, taken):
    endpoint = TokenEndpoint(database, KeySets(frozenset()), TOKEN_URL, TYPES, skew_s=30)
    request = asked(client_id, exp=int(NOW_S) + ahead_s)
    if taken:
        endpoint.grant(request, NOW)
        with pytest.raises(TokenRefused, match="jti"):  # remembered as long as the skew lets it live
            endpoint.grant(request, NOW + timedelta(seconds=5))
    else:
        with pytest.raises(TokenRefused):
            endpoint.grant(request, NOW)


def test_j5_a_used_jti_stays_used_after_a_restart_and_while_old_rows_are_swept(database, client_id):
    request = asked(client_id, exp=int(NOW_S) + 299)
    TokenEndpoint(database, KeySets(frozenset()), TOKEN_URL, TYPES).grant(request, NOW)
    later = TokenEndpoint(database, KeySets(frozenset()), TOKEN_URL, TYPES)
    later.grant(form(assertion(header(), claims(client_id, NOW_S + 200))), NOW + timedelta(seconds=200))
    with pytest.raises(TokenRefused, match="jti was used before"):
        later.grant(request, NOW + timedelta(seconds=298))


def test_a_clock_set_back_by_half_an_hour_does_not_make_a_used_assertion_good_again(database, client_id):
    request = asked(client_id)
    TokenEndpoint(database, KeySets(frozenset()), TOKEN_URL, TYPES).grant(request, NOW)
    ahead = NOW + timedelta(minutes=30)
    swept = TokenEndpoint(database, KeySets(frozenset()), TOKEN_URL, TYPES)
    swept.grant(form(assertion(header(), claims(client_id, ahead.timestamp()))), ahead)
    with pytest.raises(TokenRefused, match="jti was used before"):
        swept.grant(request, NOW)


def test_what_is_over_is_swept_away_so_that_the_tables_do_not_grow(database, client_id):
    for hour in range(0, 40, 4):
        at = NOW + timedelta(hours=hour)
        endpoint = TokenEndpoint(database, KeySets(frozenset()), TOKEN_URL, TYPES)
        endpoint.grant(form(assertion(header(), claims(client_id, at.timestamp()))), at)
    with database.read() as connection:
        for table in ("access_tokens", "used_assertions"):
            assert connection.exec_driver_sql(f"SELECT count(*) FROM {table}").scalar() == 1


def test_a_token_is_granted_although_the_sweep_fails(database, endpoint, client_id, monkeypatch, caplog):
    from service.access import token_endpoint
    from service.store.errors import StoreBusyError

    def busy(*_):
        raise StoreBusyError("busy")

    monkeypatch.setattr(token_endpoint, "forget_expired_tokens", busy)
    assert endpoint.grant(asked(client_id), NOW).access_token
    assert "StoreBusyError" in caplog.text


def test_two_clients_may_use_the_same_jti(database, endpoint, client_id):
    other = new_client(database, site="south")
    endpoint.grant(asked(client_id, jti="same"), NOW)
    endpoint.grant(asked(other, jti="same"), NOW)


def test_a_refused_scope_uses_the_assertion_up_all_the_same_and_stores_no_token(database, endpoint, client_id):
    request = asked(client_id, scope="system/Task.rs")
    with pytest.raises(TokenRefused) as refused:
        endpoint.grant(request, NOW)
    assert refused.value.error == "invalid_scope"
    with database.read() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM access_tokens").scalar() == 0
    with pytest.raises(TokenRefused, match="jti was used before"):
        endpoint.grant({**request, "scope": "system/Observation.rs"}, NOW)


@pytest.mark.parametrize(
    "scope",
    [
        "system/Observation.rs",
        "system/Observation.r",
        "system/Observation.read",
        "system/Patient.cruds",
        "system/Patient.*",
        "system/Patient.write",
        "intake:write",
        "system/Observation.s system/Patient.cu intake:read",
    ],
)
def test_scopes_within_those_agreed_are_granted_as_they_were_asked_for(endpoint, client_id, scope):
    assert endpoint.grant(asked(client_id, scope=scope), NOW).scope == scope


@pytest.mark.parametrize(
    "scope",
    [
        "system/*.rs",
        "system/Task.r",
        "system/Observation.rus",
        "system/Observation.cruds",
        "system/Observation.write",
        "system/Observation.rs system/Task.rs",
        "system/Observation.sr",
        "system/Observation.rs?category=vital-signs",
        "system/Nonsense.rs",
        "user/Observation.rs",
        "patient/Observation.rs",
        "launch/patient",
        "openid",
        "offline_access",
        "intake:delete",
        "intake:*",
        "system/Observation",
        "system/.rs",
        "system/observation.rs",
        "system/Observation.rs\tsystem/Patient.rs",
        '"',
        "\x00",
        "system/Observation.rs " * 300,
    ],
)
def test_scopes_beyond_or_without_meaning_are_invalid_scope(endpoint, client_id, scope):
    with pytest.raises(TokenRefused) as refused:
        endpoint.grant(asked(client_id, scope=scope), NOW)
    assert refused.value.error == "invalid_scope"


@pytest.mark.parametrize(
    ("changes", "error"),
    [
        ({"grant_type": ...}, "invalid_request"),
        ({"grant_type": "authorization_code"}, "unsupported_grant_type"),
        ({"grant_type": "password"}, "unsupported_grant_type"),
        ({"grant_type": "refresh_token"}, "unsupported_grant_type"),
        ({"grant_type": "CLIENT_CREDENTIALS"}, "unsupported_grant_type"),
        ({"client_assertion_type": ...}, "invalid_client"),
        ({"client_assertion_type": "urn:ietf:params:oauth:client-assertion-type:saml2-bearer"}, "invalid_client"),
        ({"client_assertion_type": "not_an_assertion_type"}, "invalid_client"),
        ({"client_assertion": ...}, "invalid_client"),
        ({"scope": ...}, "invalid_scope"),
        ({"client_secret": "guess"}, "invalid_request"),
        ({"client_id": "somebody-else"}, "invalid_client"),
    ],
)
def test_j6_a_form_that_is_not_the_grants_gets_the_code_of_rfc_6749(endpoint, client_id, changes, error):
    request = form(assertion(header(), claims(client_id, NOW_S)), **{"scope": "system/Patient.r"} | changes)
    with pytest.raises(TokenRefused) as refused:
        endpoint.grant(request, NOW)
    assert refused.value.error == error


def test_j6_a_client_id_beside_the_assertion_may_stand_there_when_it_is_the_same(endpoint, client_id):
    endpoint.grant(asked(client_id) | {"client_id": client_id}, NOW)


def test_an_unknown_client_a_revoked_one_and_a_wrong_signature_are_told_apart_by_the_audit_record_alone(
    database, endpoint, client_id
):
    revoked = new_client(database)
    revoke(database, revoked, NOW)
    stranger = form(assertion(header(), claims(client_id, NOW_S), rsa_key("stranger")))
    said, reasons = set(), set()
    for request in (asked("nobody"), asked(revoked), form(assertion(header(kid="rsa-9"), claims(client_id, NOW_S)))):
        with pytest.raises(TokenRefused) as refused:
            endpoint.grant(request, NOW)
        said.add((refused.value.error, refused.value.description))
        reasons.add(refused.value.reason)
    assert said == {("invalid_client", NOT_A_CLIENT)}
    assert len(reasons) == 3
    with pytest.raises(TokenRefused) as refused:
        endpoint.grant(stranger, NOW)
    assert refused.value.description == NOT_A_CLIENT


@pytest.mark.parametrize(
    ("keys", "fits"),
    [
        ([rsa_jwk(rsa_key(), "k"), ec_jwk(ec_key(), "k")], True),  # one kid, two kinds: kty decides
        ([ec_jwk(ec_key(), "k")], False),
        ([rsa_jwk(rsa_key(), "other")], False),
        ([rsa_jwk(rsa_key(), "k", alg="RS384", use="sig", key_ops=["verify"])], True),
        ([rsa_jwk(rsa_key(), "k"), rsa_jwk(rsa_key("second"), "k2")], True),
    ],
)
def test_j7_exactly_one_key_fits_kid_and_algorithm(database, endpoint, keys, fits):
    client_id = new_client(database, keys=keys_inline(key_set(*keys)))
    request = form(assertion(header(kid="k"), claims(client_id, NOW_S)))
    if fits:
        endpoint.grant(request, NOW)
    else:
        with pytest.raises(TokenRefused):
            endpoint.grant(request, NOW)


def test_j7_two_keys_that_fit_are_as_bad_as_none(database, endpoint, client_id):
    """Registration refuses such a set; should one stand in the database all the same, it opens nothing."""
    twice = key_set(rsa_jwk(rsa_key()), rsa_jwk(rsa_key("second"))).decode()
    with database.write() as connection:
        connection.exec_driver_sql("UPDATE clients SET jwks = ?", (twice,))
    with pytest.raises(TokenRefused) as refused:
        endpoint.grant(asked(client_id), NOW)
    assert "exactly one key" in refused.value.reason


def test_after_rotation_the_former_key_opens_nothing_and_its_tokens_are_void_at_once(database, endpoint, client_id):
    token = endpoint.grant(asked(client_id), NOW).access_token
    gate = Gate(database)
    assert gate.access([f"Bearer {token}"], NOW).client_id == client_id
    rotate(database, client_id, keys_inline(key_set(rsa_jwk(rsa_key("next"), "rsa-2"))), NOW)
    with pytest.raises(Unauthorised):
        gate.access([f"Bearer {token}"], NOW)
    with pytest.raises(TokenRefused):
        endpoint.grant(asked(client_id), NOW)
    fresh = form(assertion(header(kid="rsa-2"), claims(client_id, NOW_S), rsa_key("next")))
    assert gate.access([f"Bearer {endpoint.grant(fresh, NOW).access_token}"], NOW).client_id == client_id


def test_a_token_that_was_being_granted_while_the_keys_were_replaced_is_void(database, endpoint, client_id):
    """The grant checks the signature with the former key; the rotation commits; then the grant stores its token."""
    original = endpoint._key

    def late(client, found):
        key = original(client, found)
        rotate(database, client_id, keys_inline(key_set(rsa_jwk(rsa_key("next"), "rsa-2"))), NOW)
        return key

    endpoint._key = late
    token = endpoint.grant(asked(client_id), NOW).access_token
    with pytest.raises(Unauthorised):
        Gate(database).access([f"Bearer {token}"], NOW)


def test_another_audience_is_taken_only_where_it_is_configured(database, client_id):
    issuer = "https://readings.example"
    configured = TokenEndpoint(database, KeySets(frozenset()), TOKEN_URL, TYPES, more_audiences=[issuer])
    configured.grant(asked(client_id, aud=issuer), NOW)
    with pytest.raises(TokenRefused, match="aud"):
        TokenEndpoint(database, KeySets(frozenset()), TOKEN_URL, TYPES).grant(asked(client_id, aud=issuer), NOW)
