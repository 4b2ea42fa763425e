"""Rows 1 to 4, 9 and 12 to 19: read, vread, history, negotiation (https://hl7.org/fhir/R4/http.html)."""

from datetime import UTC, datetime, timedelta

import orjson
import pytest

from tests.api.fhir_client import BASE, NOW, FhirSide, links
from tests.store.samples import SITE, observation

ID = "p-1-o-1"


@pytest.fixture
def side(tmp_path, database_url):
    opened = FhirSide(tmp_path, database_url)
    opened.save(observation(1))
    yield opened
    opened.client.close()
    opened.store.close()


def test_row_2_and_12_a_read_gives_the_stored_bytes_with_version_and_date(side):
    answer = side.get(f"Observation/{ID}")
    assert answer.status_code == 200
    assert answer.headers["content-type"].partition(";")[0] == "application/fhir+json"
    assert answer.headers["etag"] == 'W/"1"'
    assert answer.headers["last-modified"] == "Sat, 01 Jun 2024 00:00:00 GMT"
    with side.store.read(SITE) as reading:
        assert answer.content == reading.resource("Observation", ID).body
    assert answer.json()["id"] == ID
    assert answer.json()["meta"]["versionId"] == "1"


@pytest.mark.parametrize(
    "accept",
    ["application/fhir+json", "application/json", "text/json", "*/*", "application/fhir+xml, application/json;q=0.5",
     "text/html,application/xhtml+xml,*/*;q=0.8", "Application/FHIR+JSON; charset=utf-8", "application/*"],
)  # fmt: skip
def test_row_3_json_is_served_to_who_takes_it(side, accept):
    assert side.get(f"Observation/{ID}", accept=accept).status_code == 200


@pytest.mark.parametrize("accept", ["application/fhir+xml", "text/html", "application/json;q=0, application/xml"])
def test_row_3_who_takes_no_json_is_told_so(side, accept):
    answer = side.get(f"Observation/{ID}", accept=accept)
    assert answer.status_code == 406
    assert answer.json()["resourceType"] == "OperationOutcome"


def test_row_4_format_in_the_url_goes_before_accept(side):
    for form in ("json", "application/json", "application/fhir+json", "application/fhir%2Bjson"):
        assert side.get(f"Observation/{ID}?_format={form}", accept="application/fhir+xml").status_code == 200
    assert side.get(f"Observation/{ID}?_format=xml").status_code == 406


def test_row_9_head_is_get_without_the_body(side):
    one = f"Observation/{ID}"
    for path in (one, "Observation", f"{one}/_history", f"{one}/_history/1", "metadata"):
        get, head = side.get(path), side.client.head(f"/fhir/{path}")
        assert head.status_code == get.status_code == 200
        assert head.content == b""
        assert head.headers == get.headers
        assert int(head.headers["content-length"]) == len(get.content)


def test_row_13_unknown_is_404_and_deleted_is_410(side):
    assert side.get("Observation/none").status_code == 404
    with side.store.write(SITE, NOW) as unit:
        unit.delete_resources([("Observation", ID)])
    gone = side.get(f"Observation/{ID}")
    assert gone.status_code == 410
    assert gone.json()["issue"][0]["code"] == "deleted"
    assert side.get(f"Observation/{ID}/_history/1").status_code == 200
    assert side.get(f"Observation/{ID}/_history/2").status_code == 410
    assert side.get("Observation").json()["total"] == 0


def test_row_15_if_modified_since_is_a_conditional_read(side):
    """https://hl7.org/fhir/R4/http.html#cread; If-None-Match goes first (RFC 9110 13.1.3)."""
    path, day = f"Observation/{ID}", "Sat, 01 Jun 2024 %s GMT"
    assert side.get(path, if_modified_since=day % "00:00:00").status_code == 304
    assert side.get(path, if_modified_since=day % "23:59:59").content == b""
    assert side.get(path, if_modified_since="Fri, 31 May 2024 23:59:59 GMT").status_code == 200
    assert side.get(path, if_modified_since="yesterday").status_code == 200
    assert side.get(path, if_modified_since=day % "12:00:00", if_none_match='W/"2"').status_code == 200


def test_row_19_since_without_an_offset_is_of_the_site_zone_over_a_change_of_the_clocks(tmp_path):
    """Vienna, 27 October 2024: 02:30 happens at 00:30 and at 01:30 UTC; the earlier one is meant."""
    side = FhirSide(tmp_path, zone="Europe/Vienna")
    for number, minute in enumerate((29, 30, 90), start=1):
        at = datetime(2024, 10, 27, tzinfo=UTC) + timedelta(minutes=minute)
        side.save(observation(1, status="final" if number % 2 else "amended"), now=at)
    for since, versions in (
        ("2024-10-27T02:30:00", ["3", "2"]),
        ("2024-10-27T02:30:00%2B01:00", ["3"]),
        ("2024-10-27T02:30:00%2B02:00", ["3", "2"]),
        ("2024-10-27", ["3", "2", "1"]),
        ("2024-10-28", []),
    ):
        bundle = side.get(f"Observation/{ID}/_history?_since={since}").json()
        assert [each["resource"]["meta"]["versionId"] for each in bundle.get("entry", [])] == versions, since
    side.client.close()
    side.store.close()


def test_row_14_every_version_can_be_read(side):
    side.save(observation(1, status="amended"), now=NOW + timedelta(minutes=1))
    assert side.get(f"Observation/{ID}").headers["etag"] == 'W/"2"'
    old, new = side.get(f"Observation/{ID}/_history/1"), side.get(f"Observation/{ID}/_history/2")
    assert (old.json()["status"], old.headers["etag"]) == ("final", 'W/"1"')
    assert (new.json()["status"], new.headers["etag"]) == ("amended", 'W/"2"')
    for unknown in ("3", "0", "x", "-1", "1.0", "99999999999999999999"):
        assert side.get(f"Observation/{ID}/_history/{unknown}").status_code == 404


@pytest.mark.parametrize("known", ['W/"1"', '"1"', 'W/"7", W/"1"', "*"])
def test_row_15_who_has_the_version_gets_304_without_a_body(side, known):
    answer = side.get(f"Observation/{ID}", if_none_match=known)
    assert (answer.status_code, answer.content) == (304, b"")
    assert answer.headers["etag"] == 'W/"1"'


def test_row_15_who_has_another_version_gets_the_resource(side):
    assert side.get(f"Observation/{ID}", if_none_match='W/"2"').status_code == 200


@pytest.mark.parametrize(
    ("since", "status"),
    [
        ("Sat, 01 Jun 2024 00:00:00 GMT", 304),
        ("Sat, 01 Jun 2024 00:00:01 GMT", 304),
        ("Fri, 31 May 2024 23:59:59 GMT", 200),
        ("yesterday", 200),
    ],
)
def test_row_15_if_modified_since(side, since, status):
    assert side.get(f"Observation/{ID}", if_modified_since=since).status_code == status


def test_row_15_the_entity_tag_goes_before_the_date(side):
    later = "Sun, 02 Jun 2024 00:00:00 GMT"
    assert side.get(f"Observation/{ID}", if_none_match='W/"9"', if_modified_since=later).status_code == 200


def test_row_19_history_is_newest_first_in_pages_with_deletions(side):
    for minute in (1, 2):
        side.save(observation(1, note=[{"text": str(minute)}]), now=NOW + timedelta(minutes=minute))
    with side.store.write(SITE, NOW + timedelta(minutes=3)) as unit:
        unit.delete_resources([("Observation", ID)])
    first = side.get(f"Observation/{ID}/_history?_count=3").json()
    assert (first["resourceType"], first["type"]) == ("Bundle", "history")
    assert [entry["response"]["etag"] for entry in first["entry"]] == ['W/"4"', 'W/"3"', 'W/"2"']
    deleted, changed = first["entry"][:2]
    assert deleted["request"] == {"method": "DELETE", "url": f"Observation/{ID}"}
    assert "resource" not in deleted
    assert deleted["response"] == {"status": "204", "etag": 'W/"4"', "lastModified": "2024-06-01T00:03:00.000Z"}
    assert changed["request"]["method"] == "PUT"
    assert changed["resource"]["meta"]["versionId"] == "3"
    assert changed["fullUrl"] == f"{BASE}/Observation/{ID}"
    second = side.follow(links(first)["next"]).json()
    assert [entry["response"]["status"] for entry in second["entry"]] == ["201"]
    assert "next" not in links(second)


def test_row_19_history_since_is_at_or_after(side):
    side.save(observation(1, status="amended"), now=NOW + timedelta(minutes=1))
    path = f"Observation/{ID}/_history?_since="
    assert len(side.get(path + "2024-06-01T00:00:00Z").json()["entry"]) == 2
    assert len(side.get(path + "2024-06-01T02:01:00%2B02:00").json()["entry"]) == 1
    nothing = side.get(path + "2024-06-01T00:01:00.001Z")
    assert nothing.status_code == 200
    assert "entry" not in nothing.json()


@pytest.mark.parametrize(
    "asked", ["_count=1&_count=2", "_since=2024&_since=2025", "_since=soon", "_count=-1", "_cursor=x"]
)
def test_row_19_history_parameters_that_cannot_be_are_refused(side, asked):
    answer = side.get(f"Observation/{ID}/_history?{asked}")
    assert answer.status_code == 400
    assert answer.json()["resourceType"] == "OperationOutcome"


def test_history_of_what_never_was_is_404(side):
    assert side.get("Observation/none/_history").status_code == 404


def test_row_64_decimals_keep_their_digits_on_the_way_out(side):
    content = orjson.dumps(observation(2, valueQuantity={"value": "@"})).replace(b'"@"', b"31.0")
    from tests.store.samples import draft

    sample = draft(observation(2))
    with side.store.write(SITE, NOW) as unit:
        unit.save_resources([type(sample)("Observation", sample.id, None, None, content, sample.values)])
    for path in (f"Observation/{sample.id}", "Observation", f"Observation/{sample.id}/_history"):
        assert b'"value":31.0}' in side.get(path).content
