import tracemalloc

from service.fhir import wire
from service.fhir.validate.files import check_file
from tests.fhir.validate.samples import bundle, errors, observation


def test_a_json_file_is_one_resource_or_bundle(tmp_path):
    file = tmp_path / "sheet.json"
    file.write_bytes(wire.write(bundle(observation(status="x"))))
    [(name, issues)] = list(check_file(file))
    assert name == str(file)
    assert "Bundle.entry[0].resource.status" in errors(issues)


def test_a_line_of_ndjson_is_named_by_file_and_number(tmp_path):
    file = tmp_path / "export.ndjson"
    lines = [wire.write(observation()), b"", wire.write(observation(status="x")), b"{broken"]
    file.write_bytes(b"\r\n".join(lines))
    found = list(check_file(file))
    assert [name for name, _ in found] == [f"{file}:1", f"{file}:3", f"{file}:4"]
    assert [bool(errors(issues)) for _, issues in found] == [False, True, True]


def test_a_line_over_the_limit_is_one_issue_and_the_next_line_is_read(tmp_path, monkeypatch):
    monkeypatch.setattr(wire, "MAX_BYTES", 2000)
    file = tmp_path / "export.ndjson"
    file.write_bytes(b'{"a":"' + b"x" * 9000 + b'"}\n' + wire.write(observation()) + b"\n")
    found = list(check_file(file))
    assert [name for name, _ in found] == [f"{file}:1", f"{file}:2"]
    assert found[0][1][0].code == "too-long"
    assert found[1][1] == []


def test_memory_stays_flat_over_a_long_file(tmp_path):
    file = tmp_path / "export.ndjson"
    line = wire.write(observation()) + b"\n"
    with file.open("wb") as out:
        for _ in range(3000):
            out.write(line)
    sum(1 for _ in zip(range(100), check_file(file), strict=False))  # everything that is loaded once
    tracemalloc.start()
    assert sum(1 for _, issues in check_file(file) if not issues) == 3000
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert file.stat().st_size > 1_000_000
    assert peak < 300_000
