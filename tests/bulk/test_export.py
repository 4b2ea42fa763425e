"""Bulk Data Access 2.0 over HTTP: kick-off, status, manifest, files, cancellation.

Numbers in brackets are the requirements of Bulk Data Access 2.0.0 as public conformance test kits list them.
"""

import json
import re
from datetime import datetime, timedelta
from email.utils import parsedate_to_datetime

import pytest

from service.fhir.validate import check_bytes
from tests.bulk.side import ASYNC, BASE, SITE, START, unzipped

STATUS = re.compile(re.escape(BASE) + r"/fhir/\$export-status/[0-9a-f]{32}")


def stored(side, type_):
    """id -> body of the current resources of a type."""
    import sqlite3

    file = side.settings.database_url.removeprefix("sqlite:///")
    with sqlite3.connect(file) as connection:
        return dict(connection.execute("SELECT id, body FROM resources WHERE type = ?", (type_,)))


def test_a_kick_off_answers_202_with_the_absolute_place_of_its_state(side):
    # (300, 301)
    begun = side.begin()
    assert begun.status_code == 202
    assert STATUS.fullmatch(begun.headers["content-location"])


@pytest.mark.parametrize("path", ["/fhir/$export", "/fhir/Patient/$export"])
def test_what_comes_out_is_what_is_stored_byte_for_byte(side, path):
    manifest = side.manifest(path)
    types = [each["type"] for each in manifest["output"]]
    assert len(types) == len(set(types)) > 10
    for each in manifest["output"]:
        lines = side.get(each["url"]).content.splitlines()
        assert sorted(lines) == sorted(stored(side, each["type"]).values())
        assert each["count"] == len(lines)
    assert "Provenance" in types  # (109)


def test_every_line_is_one_sound_resource(side):
    manifest = side.manifest("/fhir/Patient/$export?_type=Patient,Task,Flag")
    for each in manifest["output"]:
        body = side.get(each["url"]).content
        assert body.endswith(b"\n")
        for line in body.splitlines():
            assert not [issue for issue in check_bytes(line) if issue.severity == "error"]


def test_the_manifest_has_all_its_keys_even_where_they_are_empty(side):
    # (150 to 164, 191 to 195)
    manifest = side.manifest("/fhir/$export?_type=Organization")
    assert {key: manifest[key] for key in ("output", "error", "deleted")} == {"output": [], "error": [], "deleted": []}
    assert manifest["request"] == f"{BASE}/fhir/$export?_type=Organization"
    assert manifest["requiresAccessToken"] is True
    assert datetime.fromisoformat(manifest["transactionTime"]) > START
    assert manifest.keys() == {"transactionTime", "request", "requiresAccessToken", "output", "error", "deleted"}


def test_while_it_goes_the_state_is_202_with_progress_and_a_time_to_wait(side):
    # (132 to 134)
    url = side.begin().headers["content-location"]
    going = side.get(url)
    assert going.status_code == 202
    assert 0 < len(going.headers["x-progress"]) < 100
    assert 1 <= int(going.headers["retry-after"]) <= 30


def test_who_asks_too_often_gets_429_and_a_time_to_wait(side):
    # (128)
    url = side.begin().headers["content-location"]
    side.get(url)
    side.clock.step = timedelta(milliseconds=1)
    refused = side.get(url)
    assert refused.status_code == 429
    assert int(refused.headers["retry-after"]) > 0
    assert refused.json()["issue"][0]["code"] == "throttled"


def test_a_second_export_beside_one_that_goes_on_gets_429_and_another_client_does_not(side):
    # (118)
    assert side.begin().status_code == 202
    refused = side.begin()
    assert refused.status_code == 429
    assert "retry-after" in refused.headers
    assert side.begin(client="another").status_code == 202
    side.worker.run_once()
    assert side.begin().status_code == 202


@pytest.mark.parametrize(
    ("path", "headers", "status"),
    [
        ("/fhir/$export", {"Prefer": ""}, 400),  # (44, 46)
        ("/fhir/$export", {"Accept": "text/csv"}, 406),
        ("/fhir/$export?_outputFormat=text/csv", {}, 400),  # (47 to 52)
        ("/fhir/$export?_since=yesterday", {}, 400),
        ("/fhir/$export?_since=2026-11-25", {}, 400),
        ("/fhir/$export?_type=Immunization", {}, 400),
        ("/fhir/$export?_typeFilter=Observation", {}, 400),
        ("/fhir/$export?_typeFilter=Observation%3F_sort%3Ddate", {}, 400),
        ("/fhir/$export?_typeFilter=Observation%3Fnonsense%3D1", {}, 400),
        ("/fhir/$export?_type=Patient&_typeFilter=Observation%3Fstatus%3Dfinal", {}, 400),
        ("/fhir/$export?patient=Patient/1", {}, 400),
        ("/fhir/$export?_elements=Zorbel.x", {}, 400),
        ("/fhir/Group/none/$export", {}, 404),
        ("/fhir/$export?_type=Observation", {"X-Client": "a;types=Patient"}, 403),
        ("/fhir/$export", {"X-Client": "a;types=Basic"}, 403),
    ],
)
def test_what_cannot_be_done_is_refused_with_an_operation_outcome(side, path, headers, status):
    # (303, 304)
    refused = side.http.get(path, headers={**ASYNC, "X-Client": "backend", **headers})
    assert refused.status_code == status
    assert refused.json()["resourceType"] == "OperationOutcome"
    assert "content-location" not in refused.headers


def test_with_lenient_handling_what_is_not_known_is_passed_over_and_told(side):
    # (70, 72, 197)
    manifest = side.manifest(
        "/fhir/$export?_type=Patient,Immunization&patient=x", Prefer="respond-async, handling=lenient"
    )
    assert [each["type"] for each in manifest["output"]] == ["Patient"]
    assert [each["type"] for each in manifest["error"]] == ["OperationOutcome"]
    told = [json.loads(line) for line in side.get(manifest["error"][0]["url"]).content.splitlines()]
    assert len(told) == manifest["error"][0]["count"] == 2
    assert {each["issue"][0]["severity"] for each in told} == {"warning"}


@pytest.mark.parametrize("query", ["_type=Patient,Task", "_type=Patient&_type=Task"])
def test_types_are_told_by_comma_or_by_repetition(side, query):
    # (32, 62, 63)
    assert {each["type"] for each in side.manifest(f"/fhir/$export?{query}")["output"]} == {"Patient", "Task"}


@pytest.mark.parametrize(
    "value", ["application/fhir+ndjson", "application/fhir%2Bndjson", "application/ndjson", "ndjson"]
)
def test_each_spelling_of_the_format_is_taken(side, value):
    assert side.begin(f"/fhir/$export?_outputFormat={value}").status_code == 202


def test_a_kick_off_by_post_takes_a_parameters_resource(side):
    body = {
        "resourceType": "Parameters",
        "parameter": [{"name": "_type", "valueString": "Patient"}, {"name": "_outputFormat", "valueString": "ndjson"}],
    }
    headers = {**ASYNC, "X-Client": "backend", "Content-Type": "application/fhir+json"}
    begun = side.http.post("/fhir/Patient/$export", json=body, headers=headers)
    assert begun.status_code == 202
    side.worker.run_once()
    manifest = side.get(begun.headers["content-location"]).json()
    assert [each["type"] for each in manifest["output"]] == ["Patient"]


def test_filters_of_a_type_are_alternatives_and_leave_other_types_alone(side):
    path = "/fhir/$export?_type=Task,Patient&_typeFilter=Task%3Fstatus%3Dcancelled,Task%3Fstatus%3Drequested"
    manifest = side.manifest(path)
    everything = [json.loads(body) for body in stored(side, "Task").values()]
    wanted = {each["id"] for each in everything if each["status"] in ("cancelled", "requested")}
    assert 0 < len(wanted) < len(everything)
    assert {each["id"] for each in side.lines(manifest, "Task")} == wanted
    assert len(side.lines(manifest, "Patient")) == len(stored(side, "Patient"))


def test_a_comma_within_a_filter_keeps_its_meaning(side):
    both = side.manifest("/fhir/$export?_type=Task&_typeFilter=Task%3Fstatus%3Dcancelled,completed")
    assert {each["status"] for each in side.lines(both)} == {"cancelled", "completed"}


def test_elements_give_part_of_each_resource_and_say_so(side):
    manifest = side.manifest("/fhir/$export?_type=Patient,Task&_elements=Patient.gender,identifier")
    for each in side.lines(manifest, "Patient"):
        assert each.keys() <= {"resourceType", "id", "meta", "gender", "identifier", "link"}
        assert "SUBSETTED" in {tag["code"] for tag in each["meta"]["tag"]}
    assert all("for" not in each for each in side.lines(manifest, "Task"))


def test_only_types_that_the_token_grants_come_out(side):
    manifest = side.manifest(client="a;types=Patient,Flag")
    assert {each["type"] for each in manifest["output"]} == {"Patient", "Flag"}


def test_a_file_has_the_exact_media_type_and_is_compressed_or_cut_as_asked(side):
    # (208)
    manifest = side.manifest("/fhir/$export?_type=Observation")
    url = manifest["output"][0]["url"]
    whole = side.get(url, **{"Accept-Encoding": "identity"})
    assert whole.headers["content-type"] == "application/fhir+ndjson"
    part = side.get(url, Range="bytes=100-199", **{"Accept-Encoding": "gzip"})
    assert part.status_code == 206
    assert part.content == whole.content[100:200]
    assert part.headers["content-range"] == f"bytes 100-199/{len(whole.content)}"
    with side.http.stream(
        "GET", url.removeprefix(BASE), headers={"X-Client": "backend", "Accept-Encoding": "gzip"}
    ) as r:
        assert r.headers["content-encoding"] == "gzip"
        raw = b"".join(r.iter_raw())
    assert len(raw) < len(whole.content) / 4
    assert unzipped(raw) == whole.content
    head = side.get(url, method="HEAD")
    assert int(head.headers["content-length"]) == len(whole.content)


def test_state_and_files_are_for_the_client_that_began_the_job(side):
    begun = side.begin().headers["content-location"]
    side.worker.run_once()
    url = side.get(begun).json()["output"][0]["url"]
    for client in ("another", "other-site", "registry"):
        assert side.get(begun, client).status_code == 404
        assert side.get(url, client).status_code == 404
        assert side.get(begun, client, "DELETE").status_code == 404
    assert side.get(url).status_code == 200


@pytest.mark.parametrize("name", ["../b.sqlite3", "%2e%2e%2fb.sqlite3", "1-Basic.ndjson"])
def test_nothing_but_the_files_of_the_manifest_is_given(side, name):
    begun = side.begin().headers["content-location"]
    side.worker.run_once()
    assert side.get(f"{begun}/{name}").status_code == 404


def test_a_cancelled_job_is_unknown_from_then_on_and_its_files_are_gone(side):
    # (122, 306)
    url = side.begin().headers["content-location"]
    side.worker.run_once()
    file = side.get(url).json()["output"][0]["url"]
    assert side.get(url, method="DELETE").status_code == 202
    for gone in (side.get(url), side.get(file), side.get(url, method="DELETE")):
        assert gone.status_code == 404
        assert gone.json()["resourceType"] == "OperationOutcome"
    assert not list(side.exports.settings.folder.glob("*/*"))


def test_a_job_cancelled_before_it_is_run_is_never_run(side):
    url = side.begin().headers["content-location"]
    side.get(url, method="DELETE")
    assert not side.worker.run_once()


def test_files_are_gone_once_their_time_is_over(side):
    # (146)
    url = side.begin().headers["content-location"]
    side.worker.run_once()
    done = side.get(url)
    expires = parsedate_to_datetime(done.headers["expires"])
    assert expires - side.clock.at > timedelta(hours=23)
    side.clock.at = expires
    assert side.get(url).status_code == 404
    side.worker.run_once()
    assert not list(side.exports.settings.folder.glob("*/*"))


def test_a_download_that_has_begun_comes_to_its_end_when_the_job_is_cancelled(side):
    begun = side.begin("/fhir/$export?_type=Observation").headers["content-location"]
    side.worker.run_once()
    url = side.get(begun).json()["output"][0]["url"]
    whole = side.get(url).content
    path = side.exports.settings.folder / begun.rsplit("/", 1)[1] / url.rsplit("/", 1)[1]
    with path.open("rb") as open_file:  # as an answer that is being sent holds it
        side.get(begun, method="DELETE")
        assert open_file.read() == whole


def test_files_and_folders_are_readable_by_their_owner_alone(side):
    side.manifest()
    for path in [side.exports.settings.folder, *side.exports.settings.folder.rglob("*")]:
        assert path.stat().st_mode & 0o077 == 0


def test_a_type_with_more_than_fits_one_file_goes_on_in_another(side):
    begun = side.begin("/fhir/$export?_type=Observation").headers["content-location"]
    side.worker_with(largest_file=200_000).run_once()
    manifest = side.get(begun).json()
    assert len(manifest["output"]) > 2
    assert {each["type"] for each in manifest["output"]} == {"Observation"}
    assert len({each["id"] for each in side.lines(manifest)}) == len(stored(side, "Observation"))


def test_either_database_gives_the_very_bytes_that_a_read_gives_and_heeds_filters(empty):
    empty.load("02")
    manifest = empty.manifest()
    lines = [line for each in manifest["output"] for line in empty.get(each["url"]).content.splitlines()]
    everything = [json.loads(line) for line in lines]
    with empty.workflow.store.read(SITE) as unit:
        assert lines == [unit.resource(each["resourceType"], each["id"]).body for each in everything]
    filters = "Observation%3Fvalue-quantity%3Dgt5,Observation%3Fdate%3Dlt2000-01-01"
    large = empty.lines(empty.manifest(f"/fhir/$export?_type=Observation&_typeFilter={filters}"))
    wanted = [each["id"] for each in everything if each.get("valueQuantity", {}).get("value", 0) > 5]
    assert 0 < len(wanted) < len(everything)
    assert {each["id"] for each in large} == set(wanted)
