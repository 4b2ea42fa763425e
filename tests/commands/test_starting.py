"""`map FILE` starts at once: without the parser and the heavy libraries, and with the same answers as through it."""

import json
import re
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

import service.__main__ as start
from service import projection, strict_json
from service.config import Settings
from service.fhir import wire
from service.projection import Unsound, map_document, open_site

ROOT = Path(__file__).parents[2]
COURSE = ROOT / "service" / "api" / "example-course.json"
EXAMPLES = sorted((ROOT / "examples").glob("[0-9][0-9]-*/course*.json"))
NOW = datetime(2027, 1, 1, tzinfo=UTC)
BASE = "https://alder-bay.example/fhir"
RECORDED = re.compile(rb'"recorded":"[^"]*"')
AT_ONCE = "from service.__main__ import main; main()"
THROUGH_THE_PARSER = "from service.cli import main; main()"
HEAVY = ("typer", "pydantic", "sqlalchemy", "fastapi", "jinja2", "scipy", "numpy", "matplotlib", "fhir", "fhirkit")


def run(program: str, *arguments: str, cwd: Path = ROOT) -> tuple[int, bytes, bytes]:
    command = [sys.executable, "-c", program, *arguments]
    done = subprocess.run(command, cwd=cwd, capture_output=True, check=False, timeout=60)
    return done.returncode, RECORDED.sub(b'"recorded":""', done.stdout), done.stderr


def test_a_course_is_mapped_without_the_parser_and_the_heavy_libraries():
    program = f"import sys, atexit\natexit.register(lambda: print(*sys.modules, file=sys.stderr))\n{AT_ONCE}"
    code, bundle, modules = run(program, "map", str(COURSE))
    assert code == 0
    assert json.loads(bundle)["resourceType"] == "Bundle"
    assert not {name.partition(".")[0] for name in modules.decode().split()} & set(HEAVY)


@pytest.mark.parametrize(
    "written",
    [None, b"{", b'{"course": {}, "entries": [{"kind": "check"}]}', b""],
    ids=["in order", "no JSON", "faults", "empty"],
)
def test_both_ways_of_the_command_say_the_same(written, tmp_path):
    (tmp_path / "course.json").write_bytes(COURSE.read_bytes() if written is None else written)
    at_once = run(AT_ONCE, "map", "course.json", cwd=tmp_path)
    assert at_once == run(THROUGH_THE_PARSER, "map", "course.json", cwd=tmp_path)
    assert at_once[0] == (0 if written is None else 1)


@pytest.mark.parametrize("asked", ["missing.json", "folder", "--help"])
def test_what_is_no_file_to_read_is_left_to_the_parser(asked, tmp_path):
    (tmp_path / "folder").mkdir()
    found = run(AT_ONCE, "map", asked, cwd=tmp_path)
    assert found == run(THROUGH_THE_PARSER, "map", asked, cwd=tmp_path)
    assert found[0] == (0 if asked == "--help" else 2)


@pytest.mark.parametrize("asked", [["map"], ["map", "-h"], ["map", "a.json", "b.json"], ["validate", "a.json"], []])
def test_only_a_plain_map_of_one_file_is_run_at_once(asked, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name in ("a.json", "b.json", "-h"):
        (tmp_path / name).touch()
    assert not start._is_map_of_a_file(asked)
    assert start._is_map_of_a_file(["map", "a.json"])


def test_what_goes_wrong_is_done_over_by_the_parser(monkeypatch):
    def broken(_path):
        raise RuntimeError("the tables are in no order")

    monkeypatch.setattr("service.commands.mapping.map_course_file", broken)
    assert start._map(str(COURSE)) is None


@pytest.mark.parametrize("course", EXAMPLES, ids=lambda path: path.parent.name)
def test_one_course_mapped_once_gives_the_bytes_that_many_would(course):
    document = strict_json.read(course.read_bytes())
    once, often = (map_document(open_site(Settings(), once=one), document, NOW, BASE) for one in (True, False))
    assert once == often


SPOILT = [
    {"status": "finished"},
    {"colour": "red"},
    {"code": {"coding": [{"system": "x"}]}},
    {"subject": {"reference": "Nobody/1"}},
    {"effectiveDateTime": "2026-02-30"},
    {"component": []},
    {"valueQuantity": {"value": "1"}},
    {"meta": {"profile": 1}},
]


@pytest.mark.parametrize("spoilt", SPOILT, ids=lambda members: next(iter(members)))
def test_a_resource_that_is_not_sound_leaves_neither_way(spoilt):
    once, often = (open_site(Settings(), once=one) for one in (True, False))
    bundle = wire.read(map_document(once, strict_json.read(COURSE.read_bytes()), NOW, BASE))
    entry = next(one for one in bundle["entry"] if one["resource"]["resourceType"] == "Observation")
    once.sound(None, bundle)
    often.sound(None, entry["resource"])
    entry["resource"] = entry["resource"] | spoilt
    with pytest.raises(Unsound):
        once.sound(None, bundle)
    with pytest.raises(Unsound):
        often.sound(None, entry["resource"])


def test_a_course_mapped_once_leaves_only_in_a_bundle_that_was_validated(monkeypatch):
    validated = []

    def never(resource, **_):
        validated.append(resource["resourceType"])
        return False

    monkeypatch.setattr(projection, "is_valid", never)
    with pytest.raises(Unsound, match="Bundle"):
        map_document(open_site(Settings(), once=True), strict_json.read(COURSE.read_bytes()), NOW, BASE)
    assert validated == ["Bundle"]
