"""`deidentify`: NDJSON in, NDJSON out, all or nothing."""

import stat

import pytest

from service.commands.deidentifying import deidentify_files
from service.fhir import wire
from service.fhir.validate import check_bytes
from tests.deidentify.releases import KEY, RULES, bundles, patient


@pytest.fixture
def key(tmp_path):
    file = tmp_path / "key"
    file.write_bytes(KEY)
    file.chmod(0o600)
    return file


@pytest.fixture
def export(tmp_path):
    """Two files: the Provenance of what the second holds stands in the first."""
    _, resources = bundles()[0]
    first = [each for each in resources if each["resourceType"] == "Provenance"]
    files = [tmp_path / "a.ndjson", tmp_path / "b.ndjson"]
    for file, some in zip(files, (first, [each for each in resources if each not in first]), strict=True):
        file.write_bytes(b"".join(wire.write(each) + b"\n" for each in some))
    return files


def read(folder):
    return {path.stem: path.read_bytes().splitlines() for path in folder.glob("*.ndjson")}


def test_every_line_that_comes_out_is_valid_and_lies_in_the_file_of_its_type(tmp_path, export, key):
    out = tmp_path / "out"
    assert deidentify_files(export, "research", key, out, "demo", "registry") == 0
    found = read(out)
    assert {"Patient", "Observation", "Provenance", "CarePlan"} <= found.keys()
    for type_, lines in found.items():
        for line in lines[:50]:
            assert wire.read(line)["resourceType"] == type_
            assert not [issue for issue in check_bytes(line, RULES) if issue.severity == "error"]
    _, resources = bundles()[0]
    assert len(found["Observation"]) == sum(each["resourceType"] == "Observation" for each in resources)
    told = [wire.read(line)["activity"]["coding"][0]["code"] for line in found["Provenance"]]
    assert told.count("PSEUD") == 1
    assert len(told) > 1


def test_files_are_readable_by_their_owner_alone(tmp_path, export, key):
    out = tmp_path / "out"
    deidentify_files(export, "research", key, out, "demo", "")
    assert stat.S_IMODE(out.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in out.iterdir()} == {0o600}


def test_two_releases_with_one_key_fit_together_and_two_of_safe_harbor_do_not(tmp_path, export, key):
    ids = []
    for number, (mode, given) in enumerate(
        [("research", key), ("research", key), ("safe-harbor", None), ("safe-harbor", None)]
    ):
        out = tmp_path / str(number)
        assert deidentify_files(export, mode, given, out, "demo", "registry") == 0
        ids.append(wire.read(read(out)["Patient"][0])["id"])
    assert ids[0] == ids[1]
    assert len(set(ids)) == 3


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b'{"resourceType":"Patient"', "line 2"),
        (wire.write(patient(nickname="Zorbelin")), "Patient.nickname"),
        (b'{"resourceType":"Basic","id":"b"}', "type Basic"),
        (b'{"resourceType":"Patient"}', "an id"),
    ],
)
def test_a_line_that_nobody_decided_on_leaves_nothing_behind(tmp_path, capsys, line, why):
    file, out = tmp_path / "a.ndjson", tmp_path / "out"
    file.write_bytes(wire.write(patient()) + b"\n" + line + b"\n")
    assert deidentify_files([file], "safe-harbor", None, out, "demo", "") == 1
    assert why in capsys.readouterr().err
    assert not out.exists() or not list(out.iterdir())


def test_a_folder_with_something_in_it_is_left_as_it_is(tmp_path, export, key):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "mine").write_text("x")
    assert deidentify_files(export, "research", key, tmp_path / "out", "demo", "") == 1
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["mine"]


@pytest.mark.parametrize(("mode", "given"), [("research", False), ("safe-harbor", True), ("plain", False)])
def test_research_needs_a_key_and_safe_harbor_takes_none(tmp_path, export, key, mode, given, capsys):
    assert deidentify_files(export, mode, key if given else None, tmp_path / "out", "demo", "") == 1
    assert "refused" in capsys.readouterr().err


def test_the_order_of_the_lines_does_not_tell_who_came_first(tmp_path, key):
    file, out = tmp_path / "a.ndjson", tmp_path / "out"
    file.write_bytes(b"".join(wire.write(patient() | {"id": f"p{number}"}) + b"\n" for number in range(50)))
    assert deidentify_files([file], "research", key, out, "demo", "") == 0
    ids = [wire.read(line)["id"] for line in read(out)["Patient"]]
    assert len(ids) == 50
    assert ids == sorted(ids)
