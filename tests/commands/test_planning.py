"""`closure-readings plan` and `reference` as a person calls them."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from service.cli import app
from service.clinic.alert_examples import example_findings
from service.clinic.alert_kinds import KINDS
from service.clinic.policy import LIMITS, default_policy
from service.clinic.quantities import QUANTITIES

ROOT = Path(__file__).parents[2]
LENGTHS = ["--length-mm", "100", "--max-gap-mm", "50"]


def run(*arguments):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def test_a_plan_is_a_table_with_cautions():
    done = run("plan", *LENGTHS)
    assert done.exit_code == 0
    assert "11 anchors a side" in done.stdout
    assert "treating surgeon" in done.stdout


def test_a_plan_as_json_is_the_same_from_options_and_from_a_file(tmp_path):
    file = tmp_path / "wound.json"
    file.write_text(json.dumps({"length_mm": 100, "max_gap_mm": 50}))
    by_options, by_file = run("plan", *LENGTHS, "--json"), run("plan", file, "--json")
    assert (by_options.exit_code, by_file.exit_code) == (0, 0)
    assert json.loads(by_options.stdout) == json.loads(by_file.stdout)
    assert json.loads(by_file.stdout)["bands"][5]["cut_length_mm"] == 138.461538


def test_a_sheet_is_written_where_it_is_wanted(tmp_path):
    sheet = tmp_path / "plan.html"
    done = run("plan", *LENGTHS, "--sheet", sheet)
    assert done.exit_code == 0
    assert "<svg" in sheet.read_text("utf-8")


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["plan"], 2, ["either a JSON file or the lengths"]),
        (["plan", "--length-mm", "x", "--max-gap-mm", "401"], 1, ["--length-mm: must be a number", "--max-gap-mm:"]),
        (["plan", "--length-mm", "100"], 1, ["--max-gap-mm: is missing"]),
        (["plan", "--length-mm", "1000", "--max-gap-mm", "50"], 1, ["--length-mm: gives more than 100 bands"]),
    ],
)
def test_what_cannot_be_planned_is_refused_with_every_reason(arguments, code, said):
    done = run(*arguments)
    assert done.exit_code == code
    assert all(words in done.stderr for words in said)


@pytest.mark.parametrize(("text", "said"), [("{", "wound.json"), ('{"length_mm": 100, "gap": 5}', "/gap: is not")])
def test_a_faulty_file_is_refused_with_its_places(tmp_path, text, said):
    file = tmp_path / "wound.json"
    file.write_text(text)
    done = run("plan", file)
    assert done.exit_code == 1
    assert said in done.stderr


def test_the_reference_tables_in_the_documentation_are_current():
    assert run("reference", ROOT / "docs", "--check").exit_code == 0


def test_a_stale_or_missing_table_is_noticed_and_made_anew(tmp_path):
    assert run("reference", tmp_path, "--check").exit_code == 1
    assert run("reference", tmp_path).exit_code == 0
    assert run("reference", tmp_path, "--check").exit_code == 0
    (tmp_path / "alerts.md").write_text("stale")
    done = run("reference", tmp_path, "--check")
    assert (done.exit_code, "alerts.md is not current" in done.stderr) == (1, True)


def test_the_reference_names_every_limit_quantity_and_alert():
    policy, quantities, alerts = (
        (ROOT / "docs" / name).read_text("utf-8") for name in ("policy.md", "quantities.md", "alerts.md")
    )
    for limit in LIMITS:
        row = next(line for line in policy.splitlines() if line.startswith(f"| `{limit.name}` |"))
        assert f"| {limit.default:f} | {limit.low:f} to {limit.high:f} | {limit.basis} |" in row
    assert all(f"| `{name}` |" in quantities for name in QUANTITIES)
    assert all(alerts.count(f"| `{code}` |") == 2 for code in KINDS)  # its rules, and its sentence


def test_the_limits_that_the_alerts_name_exist():
    words = " ".join(f"{kind.raised_when} {kind.cleared_when}" for kind in KINDS.values())
    assert set(words.split("`")[1::2]) <= {limit.name for limit in LIMITS}


def test_every_alert_has_a_sentence_on_invented_readings_under_any_policy():
    found = example_findings(default_policy())
    assert set(found) == set(KINDS)
    assert all(finding is not None for finding in found.values())
