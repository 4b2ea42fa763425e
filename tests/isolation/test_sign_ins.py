"""Who signed in, who was refused and who came without a token stands in the audit record (row 106)."""

from dataclasses import replace

import orjson
from starlette.testclient import TestClient

from service.api.app import create_app
from service.config import Settings
from service.store import open_store
from service.store.audit import AuditAsked, find_events
from tests.access.sender import assertion, claims, ec_key, header
from tests.access.sender import form as token_form
from tests.isolation.installations import NOW
from tests.signing_in import LOOPBACK, new_client


def form(client_id, **changes):
    text = assertion(header("ES384", kid="ec-1"), claims(client_id, NOW.timestamp(), **changes), ec_key(), alg="ES384")
    return token_form(text, "system/Task.rs")


def recorded(settings, site):
    """Events of a site, the oldest first."""
    store = open_store(settings.database_url)
    with store.read(site) as reading:
        rows = find_events(reading, AuditAsked(limit=100))
    store.close()
    return [orjson.loads(row.body) for row in reversed(rows)]


def test_sign_ins_granted_and_refused_are_on_record_without_the_assertion(tmp_path):
    settings = replace(Settings(), database_url=f"sqlite:///{tmp_path}/a.sqlite3", site="north")
    client_id = new_client(settings, NOW, "system/Task.rs", site="south")
    with TestClient(create_app(settings, lambda: NOW), base_url=LOOPBACK) as http:
        granted = http.post("/auth/token", data=form(client_id))
        assert granted.status_code == 200, granted.text
        refused = http.post("/auth/token", data=form(client_id, aud="https://elsewhere.example/token"))
        assert refused.status_code == 400
        token = {"Authorization": f"Bearer {granted.json()['access_token']}"}
        assert http.get("/fhir/Task", headers=token).status_code == 200
        assert http.get("/fhir/Patient", headers=token).status_code == 403
        assert http.get("/fhir/Task").status_code == 401
    souths, norths = recorded(settings, "south"), recorded(settings, "north")
    told = [(each["subtype"][0]["code"], each.get("outcomeDesc", "done")) for each in souths]
    assert sorted(told) == [("operation", "done"), ("search-type", "HTTP 403"), ("search-type", "done")]
    assert all(each["agent"][0]["who"]["identifier"]["value"] == client_id for each in souths)
    told = [(each["subtype"][0]["code"], each["outcomeDesc"]) for each in norths]
    assert sorted(told) == [("operation", "HTTP 400"), ("search-type", "HTTP 401")]
    assert granted.json()["access_token"] not in repr([souths, norths])
    assert "eyJ" not in repr([souths, norths])
