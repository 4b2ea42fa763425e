"""`closure-readings clients`: add, list, rotate, revoke from the command line, on the database of the environment."""

import json

import pytest
import typer
from typer.testing import CliRunner

from service.access.faults import TokenRefused
from service.access.gate import Gate
from service.access.key_fetch import KeySets
from service.access.token_endpoint import TokenEndpoint
from service.commands.clients_cli import clients_app
from service.store.access import open_access_database
from tests.access.conftest import NOW
from tests.access.sender import TOKEN_URL, TYPES, assertion, both_keys, claims, form, header, key_set, rsa_jwk, rsa_key


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.setenv("DATABASE_URL", f"sqlite:///{tmp_path}/clients.sqlite3")
    monkeypatch.setenv("CLOSURE_READINGS_JWKS_HOSTS", "keys.example")
    app = typer.Typer()
    app.add_typer(clients_app, name="clients")
    (tmp_path / "jwks.json").write_bytes(both_keys())

    def command(*arguments):
        return CliRunner().invoke(
            app, ["clients", *(a.replace("FILE", str(tmp_path / "jwks.json")) for a in arguments)]
        )

    return command


ADD = ("add", "Ward system", "--site", "north", "--jwks", "FILE", "--scope", "system/Observation.rs intake:write")


def signed_in(tmp_path, client_id, **key):
    database = open_access_database(f"sqlite:///{tmp_path}/clients.sqlite3")
    endpoint = TokenEndpoint(database, KeySets(frozenset()), TOKEN_URL, TYPES)
    head, signer = header(kid=key.get("kid", "rsa-1")), key.get("signer", rsa_key())
    try:
        token = endpoint.grant(form(assertion(head, claims(client_id, NOW.timestamp()), signer)), NOW).access_token
        return Gate(database).access([f"Bearer {token}"], NOW)
    finally:
        database.close()


def test_add_prints_the_client_id_alone_and_the_client_signs_in_with_it(run, tmp_path):
    added = run(*ADD)
    assert added.exit_code == 0, added.output
    client_id = added.stdout.strip()
    assert "\n" not in client_id
    assert "rotate" in added.stderr
    assert signed_in(tmp_path, client_id).site == "north"


def test_list_shows_every_client_and_no_key(run):
    client_id = run(*ADD).stdout.strip()
    by_url = (
        "add",
        "Laboratory",
        "--site",
        "south",
        "--jwks",
        "https://keys.example/jwks.json",
        "--scope",
        "system/*.rs",
    )
    assert run(*by_url).exit_code == 0
    found = json.loads(run("list", "--json").stdout)
    assert [(each["name"], each["site"], each["keys"]) for each in found] == [
        ("Ward system", "north", "handed over"),
        ("Laboratory", "south", "https://keys.example/jwks.json"),
    ]
    assert found[0]["client_id"] == client_id
    assert run("list").exit_code == 0


def test_rotate_replaces_the_keys(run, tmp_path):
    client_id = run(*ADD).stdout.strip()
    (tmp_path / "jwks.json").write_bytes(key_set(rsa_jwk(rsa_key("next"), "rsa-2")))
    assert run("rotate", client_id, "--jwks", "FILE").exit_code == 0
    with pytest.raises(TokenRefused):
        signed_in(tmp_path, client_id)
    assert signed_in(tmp_path, client_id, kid="rsa-2", signer=rsa_key("next")).client_id == client_id


def test_revoke_ends_access_for_good(run, tmp_path):
    client_id = run(*ADD).stdout.strip()
    assert run("revoke", client_id).exit_code == 0
    with pytest.raises(TokenRefused):
        signed_in(tmp_path, client_id)
    for again in (("revoke", client_id), ("rotate", client_id, "--jwks", "FILE"), ("revoke", "nobody")):
        refused = run(*again)
        assert refused.exit_code == 1
        assert "refused" in refused.stderr
    assert json.loads(run("list", "--json").stdout)[0]["revoked_at"]


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"--jwks": "nowhere.json"}, "No such file"),
        ({"--jwks": "http://keys.example/jwks.json"}, "https"),
        ({"--jwks": "https://elsewhere.example/jwks.json"}, "not among"),
        ({"--scope": "system/Observation.sr"}, "letters"),
        ({"--scope": "user/Observation.rs"}, "system"),
        ({"--scope": "system/Nonsense.rs"}, "not served"),
        ({"--scope": ""}, "empty"),
        ({"--site": ""}, "site"),
        ({"--site": None}, "say which"),
    ],
)
def test_a_registration_that_cannot_be_is_refused_with_the_reason(run, change, why):
    options = {"--site": "north", "--jwks": "FILE", "--scope": "system/Observation.rs"} | change
    given = [part for name, value in options.items() if value is not None for part in (name, value)]
    refused = run("add", "Ward system", *given)
    assert refused.exit_code == 1, refused.output
    assert why in refused.stderr
    assert json.loads(run("list", "--json").stdout) == []


@pytest.mark.parametrize(
    ("keys", "why"),
    [
        (key_set(rsa_jwk(rsa_key(), d="AQAB")), "private"),
        (key_set(rsa_jwk(rsa_key()), rsa_jwk(rsa_key("second"))), "same kid"),
        (key_set(rsa_jwk(rsa_key("short", 1024))), "bits"),
        (key_set(), "no key"),
        (b"-----BEGIN PUBLIC KEY-----", "cannot be read"),
    ],
)
def test_keys_that_are_not_fit_are_refused_with_the_reason(run, tmp_path, keys, why):
    (tmp_path / "jwks.json").write_bytes(keys)
    refused = run(*ADD)
    assert refused.exit_code == 1
    assert why in refused.stderr


def test_a_registry_is_added_without_a_site(run):
    added = run("add", "Register", "--registry", "--jwks", "FILE", "--scope", "system/*.rs")
    assert added.exit_code == 0, added.output
    assert run("add", "R", "--registry", "--site", "north", "--jwks", "FILE", "--scope", "system/*.rs").exit_code == 1
    assert json.loads(run("list", "--json").stdout)[0]["kind"] == "registry"
