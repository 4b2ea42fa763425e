"""The command line as a person meets it: help, exit codes, faults on standard error with their place."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
COURSE = ROOT / "service" / "api" / "example-course.json"


@pytest.fixture
def run(tmp_path):
    def call(*arguments, **settings):
        environment = (
            os.environ | {"DATABASE_URL": f"sqlite:///{tmp_path}/readings.sqlite3", "COLUMNS": "200"} | settings
        )
        return subprocess.run(
            [sys.executable, "-m", "service", *map(str, arguments)],
            cwd=tmp_path, env=environment, capture_output=True, text=True, check=False, timeout=60,
        )  # fmt: skip

    return call


def test_help_names_every_command(run):
    done = run("--help")
    assert done.returncode == 0
    for command in ("serve", "load", "map", "validate", "due", "show", "openapi"):
        assert command in done.stdout


def test_map_prints_a_bundle_that_validate_finds_sound(run, tmp_path):
    (tmp_path / "bundle.json").write_text(run("map", COURSE).stdout)
    done = run("validate", "bundle.json", "--second-opinion")
    assert done.returncode == 0
    assert json.loads(done.stdout)["issue"][0]["severity"] == "information"


def test_map_names_every_fault_with_its_place_on_standard_error(run, tmp_path):
    document = json.loads(COURSE.read_text())
    document["course"]["colour"] = "red"
    document["entries"][0]["setback_mm"] = 99
    (tmp_path / "bad.json").write_text(json.dumps(document))
    done = run("map", "bad.json")
    assert (done.returncode, done.stdout) == (1, "")
    assert "bad.json/course/colour" in done.stderr
    assert "bad.json/entries/0/setback_mm" in done.stderr


def test_map_of_what_is_no_json_says_so(run, tmp_path):
    (tmp_path / "bad.json").write_text("{")
    done = run("map", "bad.json")
    assert done.returncode == 1
    assert "not JSON" in done.stderr


def test_validate_reports_each_fault_of_a_file_in_an_operation_outcome(run, tmp_path):
    (tmp_path / "bad.json").write_text('{"resourceType":"Observation","status":"finished","code":{"text":""}}')
    done = run("validate", "bad.json")
    assert done.returncode == 1
    found = {issue["expression"][0] for issue in json.loads(done.stdout)["issue"] if "expression" in issue}
    assert {"Observation.status", "Observation.code.text"} <= found


def test_load_records_and_a_second_load_finds_everything_known(run):
    assert "1 courses recorded, 0 already known, 0 refused" in run("load", COURSE).stderr
    assert "0 courses recorded, 1 already known, 0 refused" in run("load", COURSE).stderr


def test_load_keeps_what_is_refused_with_its_reasons_and_loads_the_rest(run, tmp_path):
    good = json.loads(COURSE.read_text())
    bad = json.loads(COURSE.read_text())
    bad["course"]["course_id"] = "other"
    bad["entries"][1]["pain_0_10"] = 12
    (tmp_path / "many.jsonl").write_text(f"{json.dumps(good)}\n{json.dumps(bad)}\n")
    done = run("load", "many.jsonl")
    assert done.returncode == 1
    assert "1 courses recorded, 0 already known, 1 refused" in done.stderr
    assert "/entries/1/pain_0_10" in done.stderr
    kept = tmp_path / "many.rejects.jsonl"
    mended = json.loads(kept.read_text())
    mended["entries"][1]["pain_0_10"] = 2
    kept.write_text(json.dumps(mended))
    assert "1 courses recorded" in run("load", kept).stderr


def test_load_reads_the_csv_pair(run):
    folder = ROOT / "examples" / "09-backfill"
    done = run("load", folder / "sample-readings.csv", "--courses", folder / "sample-courses.csv")
    assert "5 courses recorded, 0 already known, 0 refused" in done.stderr


def test_show_and_due_speak_to_people_and_to_programs(run):
    run("load", COURSE)
    assert "alder-lower-leg-1" in run("show", "alder-lower-leg-1").stdout
    assert json.loads(run("show", "alder-lower-leg-1", "--json").stdout)["course_id"] == "alder-lower-leg-1"
    assert "overdue" in run("due").stdout
    assert json.loads(run("due", "--json").stdout)["due"][0]["status"] == "overdue"
    missing = run("show", "nobody")
    assert (missing.returncode, missing.stdout) == (1, "")


def test_serve_refuses_an_address_that_is_not_loopback(run):
    done = run("serve", "--host", "0.0.0.0")
    assert done.returncode == 2
    assert "loopback" in done.stderr


def test_a_fault_of_the_tables_is_said_in_words(run, tmp_path):
    tables = tmp_path / "tables"
    tables.mkdir()
    done = run("map", COURSE, CLOSURE_READINGS_MAPPINGS=str(tables))
    assert done.returncode == 3
    assert "Traceback" not in done.stderr


def test_a_database_that_is_none_is_said_in_words(run, tmp_path):
    (tmp_path / "readings.sqlite3").write_bytes(b"this is no database" * 200)
    done = run("due")
    assert done.returncode == 3
    assert "Traceback" not in done.stderr
