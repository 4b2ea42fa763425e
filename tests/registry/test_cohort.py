"""The cohort: against plain Python over the same tables, by hand on an example, and on a second engine."""

import shutil
import subprocess
import sys
from datetime import datetime
from importlib.util import find_spec
from pathlib import Path

import duckdb
import pandas as pd
import pytest

from service.commands.deidentifying import deidentify_files
from service.registry.cohort import TABLES, column_of
from service.registry.loading import load_folders
from service.registry.tables import open_registry, write_tables
from tests.registry.conftest import cohort_of, copied, write_ndjson
from tests.registry.plain_cohort import plain_cohort


@pytest.fixture(scope="module")
def loaded(examples, views, definitions, tmp_path_factory):
    """Connection with the examples."""
    folder = tmp_path_factory.mktemp("demo")
    write_ndjson(folder / "all.ndjson", examples)
    connection = open_registry(":memory:", views)
    load_folders(connection, views, [folder])
    yield connection
    connection.close()


def held_against_plain_python(connection, definitions):
    rows = cohort_of(connection, definitions)
    plain = plain_cohort(connection, definitions)
    assert len(rows) == len(plain)
    for row in rows.itertuples():
        expected = plain[row.site, row.course_key]
        assert row.ending == expected["ending"]
        assert row.resets == expected["resets"]
        assert _same(row.days, expected["days"])
        assert _same(row.in_range_share, expected["share"])
        told = {one.key for one in definitions.complications if getattr(row, column_of(one.key)) == 1}
        assert told == expected["complications"]
        assert row.complicated == bool(told)


def _same(found, expected):
    return pd.isna(found) if expected is None else found == pytest.approx(expected, rel=1e-9, abs=1e-9)


def test_the_cohort_of_the_examples_is_what_plain_python_finds(loaded, definitions):
    held_against_plain_python(loaded, definitions)


def test_the_cohort_of_simulated_sites_is_what_plain_python_finds(simulated, views, definitions, tmp_path):
    with open_registry(":memory:", views) as connection:
        smallest = min(simulated.iterdir(), key=lambda folder: (folder / "Observation.ndjson").stat().st_size)
        load_folders(connection, views, [smallest])
        held_against_plain_python(connection, definitions)


def test_the_first_example_by_hand(loaded, definitions):
    """examples/01: bands at 2025-03-02 16:10, outcome at 2025-03-06 17:45, both +01:00; five resets, nine checks."""
    rows = cohort_of(loaded, definitions)
    row = rows[rows.baseline_gap_cm == 6.1].iloc[0]
    days = (
        datetime.fromisoformat("2025-03-06T17:45:00+01:00") - datetime.fromisoformat("2025-03-02T16:10:00+01:00")
    ).total_seconds() / 86400
    assert row.days == pytest.approx(days)
    assert (row.ending, row.resets, row.checks, row.applications) == ("closed", 5, 9, 1)
    assert bool(row.closed_within_14_days) is True
    assert row.cause == "fasciotomy-wound"


def test_dates_reduced_to_years_leave_a_course_without_days_but_with_its_outcome(
    examples, views, definitions, tmp_path
):
    """As de-identified by HIPAA Safe Harbor, 45 CFR 164.514(b)(2)(i)(C): all elements of dates but the year go."""
    coarse = []
    for resource in examples:
        if resource["resourceType"] in ("Observation", "Procedure"):
            when = "effectiveDateTime" if resource["resourceType"] == "Observation" else "performedDateTime"
            coarse.append(copied(resource, **{when: resource[when][:4]}))
        elif resource["resourceType"] == "CarePlan":
            coarse.append(copied(resource, period={"start": resource["period"]["start"][:4]}))
    write_ndjson(tmp_path / "demo" / "all.ndjson", coarse)
    with open_registry(":memory:", views) as connection:
        loaded = load_folders(connection, views, [tmp_path / "demo"])
        rows = cohort_of(connection, definitions)
    assert loaded.rejects == []
    assert rows.days.isna().all()
    assert rows.in_range_share.isna().all()
    assert rows.ended.sum() == 9
    assert not rows.closed_within_14_days.any()


def test_a_de_identified_export_for_research_gives_the_same_cohort(examples, loaded, views, definitions, tmp_path):
    """Pseudonyms for ids and sites, dates shifted with intervals kept: every figure stays."""
    source = write_ndjson(tmp_path / "in" / "all.ndjson", examples)
    key = tmp_path / "key"
    key.write_bytes(b"a key of the registry, for this test only" * 2)
    key.chmod(0o600)
    assert deidentify_files([source], "research", key, tmp_path / "out", "demo", "heron-registry") == 0
    with open_registry(":memory:", views) as connection:
        assert load_folders(connection, views, [tmp_path / "out"]).rejects == []
        found = cohort_of(connection, definitions)
    assert set(found.site).isdisjoint({"demo", "out"})
    figures = ["ending", "days", "resets", "checks", "in_range_share", "complicated", "baseline_gap_cm"]
    expected = cohort_of(loaded, definitions)
    first, second = (rows[figures].sort_values(figures).reset_index(drop=True) for rows in (found, expected))
    pd.testing.assert_frame_equal(first, second)


def test_every_ending_of_the_tables_is_mapped(terms, definitions):
    """Each concept of kind outcome has its place among the endings."""
    codes = {concept.code for concept in terms.concepts.values() if concept.kind == "outcome"}
    assert set(definitions.endings) == codes


# Spark is an optional extra (pyspark and a Java runtime): where it is missing there is no test, rather than a skip.
if find_spec("pyspark") is not None and shutil.which("java") is not None:

    @pytest.mark.timeout(400)
    def test_spark_gives_the_same_cohort_as_duckdb(registry, views, cohort, tmp_path):
        with open_registry(registry, views) as connection:
            write_tables(connection, TABLES, tmp_path / "tables", "parquet")
        out = tmp_path / "spark.parquet"
        command = [sys.executable, "-m", "tests.registry.spark_cohort", str(tmp_path / "tables"), str(out)]
        subprocess.run(command, check=True, cwd=Path(__file__).parents[2], capture_output=True, timeout=300)
        with duckdb.connect() as connection:
            connection.execute("SET TimeZone = 'UTC'")
            found = connection.execute(f"SELECT * FROM '{out}' ORDER BY site, course_key").df()
        expected = cohort.sort_values(["site", "course_key"]).reset_index(drop=True)
        assert list(found.columns) == list(expected.columns)
        for name in expected.columns:
            pd.testing.assert_series_equal(
                _comparable(found[name]), _comparable(expected[name]), check_dtype=False, rtol=1e-9
            )


def _comparable(column):
    """Times without their zone (both are UTC); the rest as it is."""
    return column.dt.tz_localize(None).astype("datetime64[us]") if hasattr(column, "dt") and column.dt.tz else column
