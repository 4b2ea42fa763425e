"""The scripts of examples/hospital against a live service behind access control; what they say is held against the API.

Sources: SMART App Launch 2.2.0, Backend Services; R4 search.html (paging, `_lastUpdated`); Bulk Data Access 2.0;
RFC 9110 10.2.3 (Retry-After).
"""

import csv
import json
import re
import sqlite3
import stat
import xml.etree.ElementTree as ET
from pathlib import Path

import requests

from tests.hospital.conftest import SCRIPTS, Ward
from tests.hospital.stand_in import stand_in
from tests.live import add_client


def patient_of(ward: Ward) -> dict:
    return ward.get("Patient")["entry"][0]["resource"]


def test_every_script_is_short_enough_to_be_read_at_once_and_named_in_the_readme():
    readme = (SCRIPTS / "README.md").read_text("utf-8")
    for script in SCRIPTS.glob("*.py"):
        assert len(script.read_text("utf-8").splitlines()) <= 60, script.name
        assert script.name in readme


def test_the_private_key_is_its_owners_alone_and_never_written_over(ward, tmp_path):
    assert ward.run("make_keys", str(tmp_path)).returncode == 0
    key = tmp_path / "private-key.json"
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    public = json.loads((tmp_path / "public-keys.json").read_text())["keys"][0]
    assert "d" not in public
    before = key.read_bytes()
    assert ward.run("make_keys", str(tmp_path)).returncode != 0
    assert key.read_bytes() == before


def test_signing_in_says_what_was_granted(ward):
    assert ward.lines("sign_in") == [["system/*.rs intake:write for 300 s"]]


def test_signing_in_shows_the_servers_words_when_it_is_refused(ward):
    beyond = ward.run("sign_in", READINGS_SCOPE="system/*.cruds")
    assert beyond.returncode == 1
    assert "invalid_scope" in beyond.stderr
    assert "beyond what was agreed" in beyond.stderr
    unknown = ward.run("sign_in", READINGS_CLIENT_ID="nobody")
    assert "invalid_client" in unknown.stderr


def test_a_patient_is_found_by_the_hospitals_number(ward):
    patient = patient_of(ward)
    identifier = patient["identifier"][0]
    (row,) = ward.lines("find_patient", identifier["system"], identifier["value"])
    assert row[0] == patient["id"]
    assert patient["name"][0]["family"] in row[1]
    none = ward.run("find_patient", identifier["system"], "nobody")
    assert none.returncode == 1
    assert "0 patients" in none.stderr


def test_the_trend_holds_every_widest_gap_of_each_wound_and_its_picture_is_svg(ward, tmp_path):
    patient = patient_of(ward)["id"]
    rows = ward.lines("trend", patient, "widest-gap", str(tmp_path / "trend.svg"))
    bundle = ward.get(f"Observation?patient={patient}&code=widest-gap&_count=1000&_sort=date")
    expected = [each["resource"] for each in bundle["entry"]]
    assert len(rows) == len(expected) > 6
    assert [row[0] for row in rows] == [each["effectiveDateTime"] for each in expected]
    for row, each in zip(rows, expected, strict=True):
        quantity = each["valueQuantity"]
        assert row[1:] == [each["basedOn"][0]["reference"], f"{quantity['value']} {quantity['unit']}"]
    picture = ET.fromstring((tmp_path / "trend.svg").read_text("utf-8"))
    lines = picture.findall("{*}polyline")
    wounds = {row[1] for row in rows}
    assert len(lines) == len(wounds) == 2
    points = [point for line in lines for point in line.attrib["points"].split()]
    assert len(points) == len(rows)
    for line in lines:
        x = [float(point.partition(",")[0]) for point in line.attrib["points"].split()]
        assert x == sorted(x)


def test_a_trend_that_the_server_refuses_shows_its_outcome(ward, tmp_path):
    refused = ward.run("trend", "no id !", "widest-gap", str(tmp_path / "x.svg"), READINGS_SCOPE="system/Patient.rs")
    assert refused.returncode == 1
    assert "403" in refused.stderr
    assert "forbidden: the token does not grant search-type of Observation" in refused.stderr


def test_polling_misses_nothing_and_takes_nothing_twice(ward, tmp_path):
    inbox = str(tmp_path / "inbox.sqlite3")
    counted = dict(row[0].split(" ") for row in ward.lines("poll", inbox, "Observation", "Task"))
    assert received(inbox) == current(ward, "Observation", "Task")
    assert sum(map(int, counted.values())) == len(received(inbox)) > 100  # more than one page
    assert ward.lines("poll", inbox, "Observation", "Task") == [["Observation 0"], ["Task 0"]]
    ward.send("03", entries=slice(0, 3))
    ward.lines("poll", inbox, "Observation", "Task")
    ward.send("03")  # some of what came changes, more is there
    ward.lines("poll", inbox, "Observation", "Task")
    assert received(inbox) >= current(ward, "Observation", "Task")
    assert ward.lines("poll", inbox, "Observation", "Task") == [["Observation 0"], ["Task 0"]]


def received(inbox: str) -> set[tuple[str, str, str]]:
    with sqlite3.connect(inbox) as database:
        rows = database.execute("SELECT type, id, version FROM received").fetchall()
    database.close()
    return set(rows)


def current(ward: Ward, *types: str) -> set[tuple[str, str, str]]:
    found, header = set(), ward.header()
    for type_ in types:
        url = f"{ward.live.fhir}/{type_}?_count=1000"
        while url:
            bundle = requests.get(url, headers=header, timeout=20).json()
            for each in bundle["entry"]:
                found.add((type_, each["resource"]["id"], each["resource"]["meta"]["versionId"]))
            url = next((link["url"] for link in bundle["link"] if link["relation"] == "next"), "")
    return found


def test_a_poll_that_is_cut_off_on_its_way_leaves_the_mark_where_it_was(tmp_path):
    inbox = str(tmp_path / "inbox.sqlite3")
    with stand_in() as server:
        first = {"meta": {"versionId": "1", "lastUpdated": "2026-11-25T08:00:00Z"}, "id": "a"}
        second = {"meta": {"versionId": "1", "lastUpdated": "2026-11-25T09:00:00Z"}, "id": "b"}
        server.pages = [[first], None]
        assert server.run("poll", inbox, "Task").returncode == 1
        assert received(inbox) == set()
        server.pages = [[first], [second]]
        assert server.run("poll", inbox, "Task").stdout == "Task 2\n"
        server.pages = [[second]]
        assert server.run("poll", inbox, "Task").stdout == "Task 0\n"
        assert "_lastUpdated=ge2026-11-25T09%3A00%3A00Z" in server.asked[-1]


def test_the_list_of_due_resets_is_that_of_the_due_board(ward):
    ward.send("06")
    *rows, last = ward.lines("due_resets")
    tasks = ward.get("Task?status=requested&_count=1000").get("entry", [])
    assert len(rows) == len(tasks) > 0
    assert sorted(row[3] for row in rows) == sorted(each["resource"]["for"]["reference"] for each in tasks)
    assert [row[0] for row in rows] == sorted(row[0] for row in rows)
    assert last == [f"{len(rows)} open; local protocol and the treating surgeon decide"]


def test_the_record_of_accesses_names_who_asked_and_only_its_readers_see_it(ward):
    patient = patient_of(ward)["id"]
    rows = ward.lines("access_record", patient)
    client_id = ward.environment["READINGS_CLIENT_ID"]
    assert rows
    assert {row[1] for row in rows} == {client_id}
    assert any(row[3] == "search-type" for row in rows)
    assert all(re.fullmatch(r"outcome [048]|outcome 12", row[4]) for row in rows)
    another = add_client(ward.folder, str(ward.folder / "public-keys.json"), "system/*.rs")
    refused = ward.run("access_record", patient, READINGS_CLIENT_ID=another, READINGS_SCOPE="system/*.rs")
    assert refused.returncode == 1
    assert "the audit record is for the site's privacy office" in refused.stderr


def test_an_export_becomes_a_table_with_a_row_for_each_resource(ward, tmp_path):
    file = tmp_path / "table.csv"
    done = ward.run("bulk", str(file), "Observation", "Patient")
    assert done.returncode == 0, done.stderr
    rows = rows_of(file)
    expected = {(type_, id_) for type_, id_, _ in current(ward, "Observation", "Patient")}
    assert {(row["resourceType"], row["id"]) for row in rows} == expected
    assert len(rows) == len(expected)
    assert {row["status"] for row in rows if row["resourceType"] == "Observation"} <= {"final", "corrected"}


def rows_of(file: Path) -> list[dict[str, str]]:
    with file.open(newline="") as opened:
        return list(csv.DictReader(opened))


def test_an_export_waits_as_long_as_it_is_told_fetches_every_file_and_gives_them_back(tmp_path):
    file = tmp_path / "table.csv"
    with stand_in() as server:
        server.export = [
            (429, {"Retry-After": "0"}, None),
            (202, {"Retry-After": "1", "X-Progress": "half"}, None),
            (200, {}, {"output": [{"type": "Patient", "url": "/files/1", "count": 2}], "error": []}),
        ]
        server.files["/files/1"] = '{"resourceType":"Patient","id":"a"}\n{"resourceType":"Patient","id":"b\u2028"}\n'
        done = server.run("bulk", str(file), "Patient")
        assert done.returncode == 0, done.stderr
        assert [row["id"] for row in rows_of(file)] == ["a", "b\u2028"]
        assert server.asked[-1] == "DELETE /fhir/status"
        assert server.waited_s() >= 1


def test_an_export_that_lost_lines_is_an_error_and_is_given_back_all_the_same(tmp_path):
    with stand_in() as server:
        server.export = [(200, {}, {"output": [{"type": "Patient", "url": "/files/1", "count": 3}], "error": []})]
        server.files["/files/1"] = '{"resourceType":"Patient","id":"a"}\n'
        done = server.run("bulk", str(tmp_path / "table.csv"), "Patient")
        assert done.returncode == 1
        assert "1 of 3 lines" in done.stderr
        assert server.asked[-1] == "DELETE /fhir/status"
        assert not (tmp_path / "table.csv").exists()


def test_a_token_is_renewed_before_it_ends_and_never_sent_to_another_address(tmp_path):
    with stand_in(expires_in=31) as server, stand_in() as other:
        server.pages = [[{"id": "a"}], [{"id": "b"}], [{"id": "c"}]]
        server.pause_s = 1.1  # a page takes so long that the token comes within half a minute of its end
        server.run("due_resets")
        assert server.tokens_granted >= 2
        assert len(server.assertions) == len(set(server.assertions))
        server.pages, server.next_url = [[{"id": "a"}]], f"{other.base}/Task?page=2"
        astray = server.run("due_resets")
        assert "404" in astray.stderr
        assert [asked for asked in other.asked if "Task" in asked] == []


def test_a_server_that_does_not_answer_is_given_up_with_a_reason(tmp_path):
    with stand_in() as server:
        server.pages = [None] * 9
        done = server.run("due_resets")
    assert done.returncode == 1
    assert "transient: no database" in done.stderr
    gone = server.run("due_resets")
    assert gone.returncode != 0
