"""`closure-readings registry ...` from NDJSON to report, as a person calls it."""

import json

import duckdb
import pytest
from typer.testing import CliRunner

from service.commands.registry_cli import registry_app
from service.fhir import wire
from tests.registry.conftest import write_ndjson

RUN = CliRunner()


def call(*words):
    return RUN.invoke(registry_app, [str(word) for word in words])


@pytest.fixture(scope="module")
def loaded(tmp_path_factory):
    folder = tmp_path_factory.mktemp("whole-way")
    assert call("simulate", "--sites", 3, "--courses", 60, "--seed", 4, "--out", folder / "exports").exit_code == 0
    file = folder / "registry.duckdb"
    found = call("load", *sorted((folder / "exports").iterdir()), "--into", file, "--processes", 1)
    assert found.exit_code == 0, found.output
    assert "CarePlan: 60 taken, 0 older" in found.output
    assert "read by no view: Patient" in found.output
    return file


def test_a_report_comes_out_of_exports(loaded, tmp_path):
    found = call("report", loaded, "--out", tmp_path / "report")
    assert found.exit_code == 0, found.output
    assert (tmp_path / "report" / "report.html").read_text().startswith("<!doctype html>")
    assert len(list((tmp_path / "report").glob("*.csv"))) == 8


@pytest.mark.parametrize("format_", ["parquet", "csv"])
def test_tables_come_out_of_exports(loaded, tmp_path, format_):
    assert call("tables", loaded, "--out", tmp_path, "--format", format_).exit_code == 0
    assert {path.stem for path in tmp_path.iterdir()} >= {
        "courses",
        "checks",
        "bands",
        "resets",
        "outcomes",
        "alerts",
        "cohort",
    }


def test_measures_come_out_of_exports_individual_ones_only_when_asked_for(loaded, tmp_path):
    assert call("measures", loaded, "--out", tmp_path / "a").exit_code == 0
    assert call("measures", loaded, "--out", tmp_path / "b", "--individual").exit_code == 0
    assert {path.name for path in (tmp_path / "a").iterdir()} == {"Measure.ndjson", "MeasureReport.ndjson"}
    individual = (tmp_path / "b" / "MeasureReport-individual.ndjson").read_bytes().splitlines()
    assert {json.loads(line)["type"] for line in individual} == {"individual"}
    assert len(individual) == 3 * 60


def test_refused_lines_are_told_in_a_file_and_by_the_exit_code(tmp_path, examples):
    broken = wire.write({**examples[0], "gender": "unheard-of"})
    write_ndjson(tmp_path / "demo" / "Patient.ndjson", examples[:1])
    with (tmp_path / "demo" / "Patient.ndjson").open("ab") as file:
        file.write(broken + b"\n")
    found = call(
        "load",
        tmp_path / "demo",
        "--into",
        tmp_path / "r.duckdb",
        "--rejects",
        tmp_path / "no.ndjson",
        "--processes",
        1,
    )
    assert found.exit_code == 1
    (reject,) = [json.loads(line) for line in (tmp_path / "no.ndjson").read_bytes().splitlines()]
    assert reject["line"] == 2
    assert reject["file"].endswith("Patient.ndjson")
    assert "Patient.gender" in reject["reasons"][0]


def test_too_few_patients_give_no_report(tmp_path, examples):
    plan = [r for r in examples if r["resourceType"] == "CarePlan"][:3]
    write_ndjson(tmp_path / "demo" / "CarePlan.ndjson", plan)
    assert call("load", tmp_path / "demo", "--into", tmp_path / "r.duckdb", "--processes", 1).exit_code == 0
    found = call("report", tmp_path / "r.duckdb", "--out", tmp_path / "report")
    assert found.exit_code == 1
    assert not (tmp_path / "report").exists()


@pytest.mark.parametrize("words", [("report",), ("tables",), ("measures",)])
def test_a_registry_that_is_not_there_is_told_and_not_made(words, tmp_path):
    assert call(*words, tmp_path / "none.duckdb", "--out", tmp_path / "out").exit_code == 2
    assert not (tmp_path / "none.duckdb").exists()


def test_a_file_that_is_no_registry_is_told(tmp_path):
    (tmp_path / "notes.duckdb").write_text("notes, not a registry, but long enough to be looked at")
    found = call("report", tmp_path / "notes.duckdb", "--out", tmp_path / "out")
    assert found.exit_code == 2
    assert "notes.duckdb" in found.output


def test_a_registry_made_with_other_views_is_told(loaded, tmp_path):
    copy = tmp_path / "old.duckdb"
    copy.write_bytes(loaded.read_bytes())
    with duckdb.connect(str(copy)) as connection:
        connection.execute("ALTER TABLE outcomes DROP COLUMN outcome")
    found = call("report", copy, "--out", tmp_path / "out")
    assert found.exit_code == 2
    assert "other columns of outcomes" in found.output


def test_a_folder_that_is_not_there_is_told(tmp_path):
    assert call("load", tmp_path / "none", "--into", tmp_path / "r.duckdb").exit_code == 2
