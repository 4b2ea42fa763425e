"""Subscriptions through the real door, with tokens, on a served installation of two sites; told by a real `notify`."""

import json
import subprocess
from dataclasses import replace
from datetime import UTC, datetime

import pytest
import requests

from service.config import Settings
from tests.intake.documents import check, course_file, installation
from tests.live import PROGRAM, command, environment_of, live_service
from tests.signing_in import new_client, token_of
from tests.subscriptions.conftest import subscription
from tests.subscriptions.test_processes import endpoint, wait_for

NORTH, SOUTH = "north", "south"
FULL = "system/*.cruds intake:read intake:write"
JSON = "application/fhir+json"


class Client:
    """A registered client with a token, asking over HTTP."""

    def __init__(self, live, settings, site, scopes):
        self.live, self.settings = live, settings
        self.id = new_client(settings, datetime.now(UTC), FULL, site)
        self.headers = {"Authorization": f"Bearer {token_of(settings, self.id, datetime.now(UTC), scopes)}"}

    def ask(self, method, path, body=None):
        given = self.headers | ({"Content-Type": JSON if "/fhir" in path else "application/json"} if body else {})
        content = json.dumps(body, default=float) if body else None
        return requests.request(method, f"{self.live.base}{path}", data=content, headers=given, timeout=20)

    def chart(self, *entries):
        answer = self.ask("POST", "/intake/courses", course_file(installation(), *entries))
        assert answer.status_code in (200, 201), answer.text


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """The service, where it writes, an endpoint with what came there, and how to make a client."""
    folder = tmp_path_factory.mktemp("door")
    settings = replace(Settings(), database_url=f"sqlite:///{folder}/live.sqlite3", site=NORTH)
    new_client(settings, datetime.now(UTC), FULL)  # else the service of a site with patients does not start
    bundles = []
    with endpoint(0, bundles) as (host, _):
        named = {"CLOSURE_READINGS_SITE": NORTH, "CLOSURE_READINGS_SUBSCRIPTION_HOSTS": host}
        with live_service(folder, **named) as live:
            yield (
                live,
                folder,
                named | {"CLOSURE_READINGS_PUBLIC_BASE": live.base},
                f"http://{host}/in",
                bundles,
                (lambda site, scopes=FULL: Client(live, settings, site, scopes)),
            )


def asked(url, **changes):
    return subscription(endpoint=url, **changes)


@pytest.mark.parametrize(
    ("scopes", "status"),
    [
        ("system/Observation.rs", 403),  # nothing of Subscription
        ("system/Subscription.rs system/Observation.rs", 403),  # not to make one
        ("system/Subscription.cruds", 403),  # not of what may not be read
        ("system/Subscription.cruds system/Flag.rs", 403),
        ("system/Subscription.cruds system/Observation.rs", 201),
    ],
)
def test_a_subscription_needs_its_own_scope_and_that_of_what_is_told(served, scopes, status):
    *_, url, _, client = served
    answer = client(NORTH, scopes).ask("POST", "/fhir/Subscription", asked(url))
    assert answer.status_code == status, answer.text
    assert answer.json()["resourceType"] == ("Subscription" if status == 201 else "OperationOutcome")


def test_without_a_token_nothing_is_made_or_read(served):
    live, *_, url, _, _ = served
    for method, path in (("POST", ""), ("GET", ""), ("GET", "/x"), ("GET", "/x/$status"), ("GET", "/$status")):
        answer = requests.request(
            method, f"{live.fhir}/Subscription{path}", json=asked(url) if method == "POST" else None, timeout=20
        )
        assert answer.status_code == 401


@pytest.mark.parametrize("site", [NORTH, SOUTH])
def test_who_made_it_alone_sees_it_whichever_site_the_other_is_of(served, site):
    *_, url, _, client = served
    mine, other = client(NORTH), client(site)
    made = mine.ask("POST", "/fhir/Subscription", asked(url)).json()
    place = f"/fhir/Subscription/{made['id']}"
    for method, path, body in (
        ("GET", place, None), ("GET", f"{place}/$status", None), ("GET", f"{place}/$events", None),
        ("PUT", place, made), ("DELETE", place, None),
    ):  # fmt: skip
        assert other.ask(method, path, body).status_code == 404, (method, path)
    assert other.ask("GET", "/fhir/Subscription").json()["total"] == 0
    assert other.ask("GET", "/fhir/Subscription/$status").json()["total"] == 0
    assert mine.ask("GET", place).json() == made


def test_the_topics_stand_in_the_capability_statement_of_the_served_service(served):
    live, *_ = served
    statement = requests.get(f"{live.fhir}/metadata", timeout=20).json()
    (row,) = [each for each in statement["rest"][0]["resource"] if each["type"] == "Subscription"]
    assert {each["code"] for each in row["interaction"]} >= {"create", "read", "update", "delete", "search-type"}
    assert "check-charted" in json.dumps(statement)


def parameters_of(bundle):
    return {each["name"]: each for each in bundle["entry"][0]["resource"]["parameter"]}


def test_each_site_is_told_of_its_own_checks_by_a_process_and_can_read_what_it_was_told(served):
    live, folder, named, url, bundles, client = served
    north, south = client(NORTH), client(SOUTH)
    ids = {
        each.id: each.ask("POST", "/fhir/Subscription", asked(url, content="full-resource")).json()["id"]
        for each in (north, south)
    }
    done = command(folder, "notify", "--once", **named)
    assert done.returncode == 0, done.stderr
    assert {each.ask("GET", f"/fhir/Subscription/{ids[each.id]}").json()["status"] for each in (north, south)} == {
        "active"
    }
    del bundles[:]
    north.chart(check("ch-1", "2026-03-03T20:00:00+01:00"))
    south.chart(check("ch-1", "2026-03-03T20:00:00+01:00"), check("ch-2", "2026-03-04T20:00:00+01:00"))
    environment = environment_of(folder, None, named)
    with (folder / "serve.log").open("ab") as log:
        process = subprocess.Popen([*PROGRAM, "notify"], env=environment, stdout=log, stderr=log)
    try:
        mine = {each.id: [] for each in (north, south)}

        def all_came():
            for each in mine:
                mine[each] = [b for b in bundles if _subscription_of(b) == f"{live.fhir}/Subscription/{ids[each]}"]
            return all(mine.values())

        wait_for(all_came)
    finally:
        process.terminate()
        assert process.wait(timeout=20) == 0
    for each, count in ((north, 1), (south, 2)):
        entries = [entry for bundle in mine[each.id] for entry in bundle["entry"][1:]]
        assert len(entries) == count
        for entry in entries:
            read = each.ask("GET", entry["fullUrl"].removeprefix(live.base))
            assert read.status_code == 200
            assert read.json() == entry["resource"]
            stranger = south if each is north else north
            assert stranger.ask("GET", entry["fullUrl"].removeprefix(live.base)).status_code == 404


def _subscription_of(bundle):
    return parameters_of(bundle)["subscription"]["valueReference"]["reference"]


def test_every_line_that_notify_writes_is_json_and_names_nobody(served):
    live, folder, named, url, _, client = served
    north = client(NORTH)
    secret = "Bearer a-secret-of-the-subscriber"
    made = north.ask("POST", "/fhir/Subscription", asked(url, header=[f"Authorization: {secret}"])).json()
    ended = command(folder, "notify", "--once", **named, CLOSURE_READINGS_LOG_LEVEL="debug")
    (folder / "notify").mkdir(exist_ok=True)
    (folder / "notify" / "serve.log").write_text(ended.stderr)  # read by the log scan with those of all other runs
    lines = [json.loads(line) for line in ended.stderr.splitlines()]
    assert any(line["event"] == f"subscription {made['id']} is active" for line in lines)
    assert lines[0]["address"] == live.fhir
    assert "a-secret" not in ended.stderr
    assert secret not in json.dumps(north.ask("GET", f"/fhir/Subscription/{made['id']}").json())


def test_a_revoked_client_is_told_nothing_more(served):
    live, folder, named, url, bundles, client = served
    north, writer = client(NORTH), client(NORTH)
    made = north.ask("POST", "/fhir/Subscription", asked(url)).json()
    command(folder, "notify", "--once", **named)
    gone = command(folder, "clients", "revoke", north.id)
    assert gone.returncode == 0, gone.stderr
    del bundles[:]
    writer.chart(check("ch-9", "2026-03-05T20:00:00+01:00"))
    command(folder, "notify", "--once", **named)
    assert f"{live.fhir}/Subscription/{made['id']}" not in {_subscription_of(each) for each in bundles}


def test_without_a_public_base_and_hosts_notify_says_what_will_be_missing(served, tmp_path):
    ended = command(tmp_path, "notify", "--once")
    events = [json.loads(line)["event"] for line in ended.stderr.splitlines()]
    assert any("CLOSURE_READINGS_PUBLIC_BASE is not set" in each for each in events)
    assert any("CLOSURE_READINGS_SUBSCRIPTION_HOSTS is not set" in each for each in events)
    assert command(tmp_path, "notify", "--once", CLOSURE_READINGS_LOG="xml").returncode == 2
