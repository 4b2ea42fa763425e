"""Loading exports: what is not valid is refused, what is newer counts, and the order of arrival leaves no trace."""

import gzip
import json
from itertools import permutations

import pytest

from service.fhir import wire
from service.registry.loading import load_folders
from service.registry.tables import open_registry, read_views, write_tables
from service.registry.views.definition import FaultyView
from tests.registry.conftest import copied, projected, write_ndjson


@pytest.fixture
def opened(views):
    with open_registry(":memory:", views) as connection:
        yield connection


def outcomes(connection):
    return connection.execute("SELECT site, outcome_key, outcome FROM outcomes ORDER BY ALL").fetchall()


def counts(connection, views):
    return {view.name: connection.execute(f'SELECT count(*) FROM "{view.name}"').fetchone()[0] for view in views.views}


def outcome(examples):
    return next(r for r in examples if "course-outcome" in json.dumps(r.get("code", ""), default=float))


def versioned(resource, version, **changes):
    at = f"2026-01-{version:02d}T00:00:00.000Z"
    return copied(resource, meta={**resource["meta"], "versionId": str(version), "lastUpdated": at}, **changes)


def test_every_example_fills_the_tables(opened, views, examples, tmp_path):
    write_ndjson(tmp_path / "demo" / "all.ndjson", examples)
    loaded = load_folders(opened, views, [tmp_path / "demo"])
    assert loaded.rejects == []
    found = counts(opened, views)
    assert all(found.values())
    plans = [r for r in examples if r["resourceType"] == "CarePlan"]
    checks = [r for r in examples if r.get("identifier", [{}])[0].get("value", "").endswith("/check")]
    sound = [r for r in checks if r["status"] != "entered-in-error"]
    assert len(sound) < len(checks)
    assert (found["courses"], found["checks"]) == (len(plans), len(sound))
    assert "Patient" in loaded.unread()


def test_what_is_not_valid_is_refused_with_file_line_and_place_but_no_value(opened, views, examples, tmp_path):
    broken = copied(examples[0], gender="Mr Secret")
    lines = [wire.write(examples[0]), wire.write(broken), b"{no json", b"", b'{"resourceType":"Patient"}']
    file = tmp_path / "demo" / "Patient.ndjson"
    file.parent.mkdir()
    file.write_bytes(b"\n".join(lines) + b"\n")
    loaded = load_folders(opened, views, [tmp_path / "demo"])
    assert [(reject.file, reject.line) for reject in loaded.rejects] == [(str(file), 2), (str(file), 3), (str(file), 5)]
    assert loaded.rejects[0].reasons == ["Patient.gender: code-invalid"] or "gender" in loaded.rejects[0].reasons[0]
    assert "Secret" not in str(loaded.rejects)
    assert "without an id" in loaded.rejects[2].reasons[0]
    assert loaded.sound["Patient"] == 1


def test_a_refused_line_does_not_keep_its_neighbours_out(opened, views, examples, tmp_path):
    sound = [r for r in examples if r["resourceType"] == "CarePlan"]
    broken = copied(sound[0], status="finished")
    write_ndjson(tmp_path / "demo" / "CarePlan.ndjson", [broken, *sound])
    loaded = load_folders(opened, views, [tmp_path / "demo"])
    assert len(loaded.rejects) == 1
    assert counts(opened, views)["courses"] == len(sound)


def test_plain_and_gzipped_files_below_a_folder_are_read_in_several_processes(opened, views, examples, tmp_path):
    half = len(examples) // 2
    write_ndjson(tmp_path / "demo" / "deep" / "one.ndjson", examples[:half])
    with gzip.open(tmp_path / "demo" / "two.ndjson.gz", "wb") as file:
        file.writelines(wire.write(resource) + b"\n" for resource in examples[half:])
    loaded = load_folders(opened, views, [tmp_path / "demo"], processes=2)
    assert loaded.rejects == []
    assert (loaded.files, loaded.sound.total()) == (2, len(examples))


def test_the_log_of_a_client_and_half_of_a_fetch_are_no_resources(opened, views, examples, tmp_path):
    folder = tmp_path / "demo"
    write_ndjson(folder / "all.ndjson", examples)
    (folder / "log.ndjson").write_text('{"eventId": "kickoff"}\n')
    (folder / ".half").mkdir()
    (folder / ".half" / "Patient-1.ndjson.gz").write_bytes(gzip.compress(b'{"resourceType": "Pat')[:-6])
    loaded = load_folders(opened, views, [folder])
    assert (loaded.files, loaded.rejects) == (1, [])
    assert loaded.sound.total() == len(examples)


def test_whoever_waits_is_told_of_every_file(opened, views, examples, tmp_path):
    for number in range(3):
        write_ndjson(tmp_path / f"site-{number}" / "all.ndjson", examples[:2])
    told = []
    folders = sorted(tmp_path.iterdir())
    load_folders(opened, views, folders, checked_one=lambda: told.append(opened.execute("SELECT 1").fetchone()))
    assert told == [(1,)] * 3


def test_a_hidden_folder_is_read_when_it_is_named(opened, views, examples, tmp_path):
    write_ndjson(tmp_path / ".kept" / "all.ndjson", examples)
    assert load_folders(opened, views, [tmp_path / ".kept"]).files == 1


def test_the_site_comes_from_the_source_and_else_from_the_folder(opened, views, tmp_path):
    told = next(r for r in projected("alder bay") if r["resourceType"] == "CarePlan")
    untold = {name: value for name, value in told.items() if name != "meta"}
    write_ndjson(tmp_path / "export" / "CarePlan.ndjson", [told, untold])
    load_folders(opened, views, [tmp_path / "export"])
    found = opened.execute("SELECT site FROM courses ORDER BY site").fetchall()
    assert found == [("alder%20bay",), ("export",)]


@pytest.mark.parametrize(
    ("source", "site"),
    [
        ("https://a.example/site/quay/fhir", "quay"),
        ("https://a.example/site/quay", "quay"),
        ("https://a.example/site/quay/site/pier", "quay"),
        ("https://a.example/site//site/pier", "pier"),
        ("https://a.example/site/site/pier", "site"),
        ("https://a.example/site/", "export"),
        ("https://a.example/sites/quay", "export"),
    ],
)
def test_the_site_is_the_first_segment_that_stands_behind_site(source, site, opened, views, tmp_path):
    told = next(r for r in projected("quay") if r["resourceType"] == "CarePlan")
    write_ndjson(tmp_path / "export" / "CarePlan.ndjson", [copied(told, meta={**told["meta"], "source": source})])
    assert load_folders(opened, views, [tmp_path / "export"]).rejects == []
    assert opened.execute("SELECT site FROM courses").fetchall() == [(site,)]


def test_a_resource_that_comes_twice_in_a_first_load_is_one_and_the_later_line_counts(
    opened, views, examples, terms, tmp_path
):
    told = [
        copied(outcome(examples), valueCodeableConcept=terms.concept(key)) for key in ("outcome-flap", "outcome-died")
    ]
    write_ndjson(tmp_path / "demo" / "Observation.ndjson", told)
    merged = load_folders(opened, views, [tmp_path / "demo"]).merged["Observation"]
    assert (merged.taken, merged.older) == (1, 1)
    assert [row[2] for row in outcomes(opened)] == [terms.concepts["outcome-died"].code]


def test_one_id_at_two_sites_is_two_resources(opened, views, examples, tmp_path):
    one = outcome(examples)
    other = copied(one, meta={"source": one["meta"]["source"].replace("/demo/", "/heron/")})
    write_ndjson(tmp_path / "a" / "Observation.ndjson", [one])
    write_ndjson(tmp_path / "b" / "Observation.ndjson", [other])
    load_folders(opened, views, [tmp_path / "a", tmp_path / "b"])
    assert [row[0] for row in outcomes(opened)] == ["demo", "heron"]


VERSIONS = (1, 2, 3)


@pytest.mark.parametrize("order", list(permutations(VERSIONS)))
def test_the_newest_version_counts_in_whatever_order_they_come(order, opened, views, examples, terms, tmp_path):
    values = ["outcome-graft", "outcome-died", "outcome-flap"]
    one = outcome(examples)
    for version in order:
        changed = versioned(one, version, valueCodeableConcept=terms.concept(values[version - 1]))
        folder = tmp_path / f"load-{version}"
        write_ndjson(folder / "Observation.ndjson", [changed])
        load_folders(opened, views, [folder])
    assert [row[2] for row in outcomes(opened)] == [terms.concepts["outcome-flap"].code]


def test_versions_within_one_load_are_sorted_out_too(opened, views, examples, terms, tmp_path):
    one = outcome(examples)
    told = [
        versioned(one, n, valueCodeableConcept=terms.concept(key))
        for n, key in ((10, "outcome-flap"), (9, "outcome-died"))
    ]
    write_ndjson(tmp_path / "demo" / "Observation.ndjson", told)
    loaded = load_folders(opened, views, [tmp_path / "demo"])
    assert [row[2] for row in outcomes(opened)] == [terms.concepts["outcome-flap"].code]
    assert (loaded.merged["Observation"].taken, loaded.merged["Observation"].older) == (1, 1)


def test_without_versions_the_later_load_counts(opened, views, examples, terms, tmp_path):
    one = outcome(examples)
    for at, key in enumerate(("outcome-graft", "outcome-died")):
        changed = copied(one, valueCodeableConcept=terms.concept(key))
        write_ndjson(tmp_path / str(at) / "Observation.ndjson", [changed])
        load_folders(opened, views, [tmp_path / str(at)])
    assert [row[2] for row in outcomes(opened)] == [terms.concepts["outcome-died"].code]


def test_what_was_entered_in_error_leaves_the_tables_and_an_older_version_does_not_bring_it_back(
    opened, views, examples, tmp_path
):
    one = outcome(examples)
    for version, status, rows in ((1, "final", 1), (2, "entered-in-error", 0), (1, "final", 0)):
        write_ndjson(tmp_path / "demo" / "Observation.ndjson", [versioned(one, version, status=status)])
        load_folders(opened, views, [tmp_path / "demo"])
        assert len(outcomes(opened)) == rows


def test_loading_the_same_export_again_changes_nothing(registry, views, simulated, tmp_path):
    copy = tmp_path / "again.duckdb"
    copy.write_bytes(registry.read_bytes())
    with open_registry(copy, views) as connection:
        before = [path.read_bytes() for path in tables_of(connection, tmp_path / "before")]
        load_folders(connection, views, sorted(simulated.iterdir()))
        assert [path.read_bytes() for path in tables_of(connection, tmp_path / "after")] == before


def tables_of(connection, out):
    return write_tables(connection, ("courses", "outcomes", "bands", "alerts"), out, "csv")


def test_a_fault_in_the_middle_leaves_the_registry_as_it_was(opened, views, examples, tmp_path, monkeypatch):
    write_ndjson(tmp_path / "demo" / "all.ndjson", examples)
    from service.registry import loading

    merge, calls = loading.merge_type, []

    def failing(connection, views, kind, files):
        calls.append(kind)
        if len(calls) == 3:
            raise OSError("disk full")
        return merge(connection, views, kind, files)

    monkeypatch.setattr(loading, "merge_type", failing)
    with pytest.raises(OSError, match="disk full"):
        load_folders(opened, views, [tmp_path / "demo"])
    assert not any(counts(opened, views).values())


def test_a_folder_that_is_none_is_told(opened, views, tmp_path):
    with pytest.raises(NotADirectoryError):
        load_folders(opened, views, [tmp_path / "missing"])


def test_sites_may_run_other_versions_of_the_tables(opened, views, examples, tmp_path):
    """A plan whose tables have another version, and one without any tag, are courses like the others."""
    plan = next(r for r in examples if r["resourceType"] == "CarePlan")
    tags = [{**plan["meta"]["tag"][0], "code": "0123456789ab"}]
    other = copied(plan, id="other", meta={**plan["meta"], "tag": tags})
    bare = copied(plan, id="bare", meta={"source": plan["meta"]["source"]})
    write_ndjson(tmp_path / "demo" / "CarePlan.ndjson", [plan, other, bare])
    load_folders(opened, views, [tmp_path / "demo"])
    found = opened.execute(
        "SELECT tables_version FROM courses WHERE course_key IN ('other', 'bare') ORDER BY ALL"
    ).fetchall()
    assert found == [("0123456789ab",), (None,)]


def test_parquet_and_csv_hold_the_same_rows(registry, views, tmp_path):
    with open_registry(registry, views) as connection:
        (parquet,) = write_tables(connection, ["outcomes"], tmp_path, "parquet")
        (csv,) = write_tables(connection, ["outcomes"], tmp_path, "csv")
        first = connection.execute(f"SELECT site, outcome_key, outcome FROM '{parquet}'").fetchall()
        assert first == connection.execute(f"SELECT site, outcome_key, outcome FROM '{csv}'").fetchall()
    assert first


def test_the_views_speak_of_the_artefacts_that_this_deployment_publishes(terms):
    from service.terminology.tables import folder_of_tables

    for path in sorted((folder_of_tables() / "views").glob("*.json")):
        view = json.loads(path.read_text())
        assert view["url"] == f"{terms.base}/ViewDefinition/{path.stem}"
        assert view["name"] == path.stem
        constants = {one["name"]: one["valueUri"] for one in view.get("constant", ())}
        assert constants.get("closure", terms.local_system) == terms.local_system


def test_a_faulty_view_file_is_refused(tmp_path):
    (tmp_path / "views").mkdir()
    (tmp_path / "views" / "bad.json").write_text(
        '{"resource": "Patient", "select": [{"column": [{"name": "a", "path": "b"}]}]}'
    )
    with pytest.raises(FaultyView, match="no element 'b'"):
        read_views(tmp_path)
