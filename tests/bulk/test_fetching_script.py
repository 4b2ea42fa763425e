"""examples/registry/fetch.py against a server that is made up: what it keeps, what it says, and what it leaves."""

import gzip
import importlib.util
import json
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "examples" / "registry" / "fetch.py"
AT = "2026-11-25T08:00:00.000Z"


class Answer:
    """What the script reads of an answer."""

    def __init__(self, text="", headers=None, status_code=200):
        self.text, self.headers, self.status_code = text, headers or {}, status_code

    def json(self):
        return json.loads(self.text)

    def iter_content(self, size):
        yield from (self.text[at : at + 7].encode() for at in range(0, len(self.text), 7))

    def __enter__(self):
        return self

    def __exit__(self, *_):
        return None


class Server:
    """Gives a manifest and its files; notes what it was asked."""

    def __init__(self, manifest, files):
        self.manifest, self.files, self.asked = {"transactionTime": AT, "output": [], **manifest}, files, []

    def request(self, method, url, params=None, **_):
        self.asked.append((method, url, params))
        if url == "Patient/$export":
            return Answer(headers={"Content-Location": "status"})
        return Answer(json.dumps(self.manifest) if url == "status" else self.files[url])


@pytest.fixture
def fetch(monkeypatch):
    """The script, run against a server of the test's choice."""
    monkeypatch.setattr(sys, "path", [*sys.path])
    spec = importlib.util.spec_from_file_location("registry_fetch", SCRIPT)
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)

    def run(folder, manifest, files, types=("Patient",)):
        server = Server(manifest, files)
        monkeypatch.setattr(script, "Server", lambda: server)
        script.main(folder, types)
        return server

    yield run
    for name in ("server", "sign_in", "answers", "bulk", "table"):  # plain names, which other tests may mean otherwise
        sys.modules.pop(name, None)


PATIENTS = [{"type": "Patient", "url": "one", "count": 2}]
TWO = '{"resourceType":"Patient","id":"a"}\n{"resourceType":"Patient","id":"b"}\n'


def test_a_second_run_asks_from_where_the_first_one_ended(fetch, tmp_path, capsys):
    first = fetch(tmp_path, {"output": PATIENTS}, {"one": TWO})
    assert first.asked[0] == ("GET", "Patient/$export", {"_type": "Patient"})
    assert first.asked[-1] == ("DELETE", "status", None)
    kept = Path(capsys.readouterr().out.strip())
    assert gzip.decompress((kept / "Patient-1.ndjson.gz").read_bytes()).decode() == TWO
    second = fetch(tmp_path, {"transactionTime": "2026-11-26T08:00:00.000Z"}, {})
    assert second.asked[0][2] == {"_type": "Patient", "_since": AT}


def test_a_file_that_came_short_leaves_nothing_to_be_loaded_and_is_asked_for_again(fetch, tmp_path):
    with pytest.raises(SystemExit, match="1 of 2 lines"):
        fetch(tmp_path, {"output": PATIENTS}, {"one": TWO.split("\n")[0] + "\n"})
    assert [path.name for path in tmp_path.iterdir()] == [".half"]
    again = fetch(tmp_path, {"output": PATIENTS}, {"one": TWO})
    assert again.asked[0][2] == {"_type": "Patient"}
    assert not (tmp_path / ".half").exists()


def test_what_stayed_behind_and_what_was_deleted_is_told(fetch, tmp_path, capsys):
    outcome = {"resourceType": "OperationOutcome", "issue": [{"diagnostics": "2 Media left out"}]}
    bundle = json.dumps({"resourceType": "Bundle", "entry": [{"request": {"method": "DELETE", "url": "Patient/a"}}]})
    manifest = {"error": [{"type": "OperationOutcome", "url": "e"}], "deleted": [{"type": "Bundle", "url": "d"}]}
    fetch(tmp_path, manifest, {"e": json.dumps(outcome) + "\n", "d": bundle})
    told = capsys.readouterr()
    assert "2 Media left out" in told.err
    assert "take out what" in told.err
    assert (Path(told.out.strip()) / "deleted-1.txt").read_text() == bundle
