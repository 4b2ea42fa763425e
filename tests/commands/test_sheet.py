"""`sheet`: the hand-over sheet from the command line."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from service import strict_json
from service.commands.sheet import write_sheet
from service.config import settings_from
from service.workflow import open_workflow

COURSE = Path(__file__).parents[2] / "examples" / "01-lower-leg-fasciotomy-in-four-days" / "course.json"


@pytest.fixture
def recorded(tmp_path, monkeypatch):
    monkeypatch.setenv("DATABASE_URL", f"sqlite:///{tmp_path}/sheet.sqlite3")
    monkeypatch.chdir(tmp_path)
    document = strict_json.read(COURSE.read_bytes())
    workflow = open_workflow(replace(settings_from(), synchronous="OFF"))
    workflow.record_course(document, datetime.now(UTC))
    workflow.close()
    return tmp_path


def test_the_sheet_is_written_to_the_file_that_was_named_or_to_one_named_after_the_course(recorded):
    assert write_sheet("lower-leg-0302", recorded / "out.pdf") == 0
    assert write_sheet("lower-leg-0302", None) == 0
    assert (recorded / "out.pdf").read_bytes().startswith(b"%PDF-")
    assert (recorded / "lower-leg-0302.pdf").stat().st_size > 2000


def test_an_unknown_course_is_said_and_nothing_written(recorded, capsys):
    assert write_sheet("nobody", recorded / "out.pdf") == 1
    assert "no such course: nobody" in capsys.readouterr().err
    assert not (recorded / "out.pdf").exists()
