"""The example courses in a store, and one invented course whose words are full of delimiters."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from service import strict_json
from service.config import Settings
from service.hl7v2.codes import read_v2_codes
from service.hl7v2.gathering import charted_entry
from service.hl7v2.observations import Vocabulary
from service.hl7v2.oru import Envelope, oru_r01
from service.terminology import load
from service.workflow import open_workflow
from tests.intake.documents import check, course_file, installation

NOW = datetime(2026, 11, 1, tzinfo=UTC)
EXAMPLES = Path(__file__).parents[2] / "examples"
AWKWARD = "Pain | with^out ~ rest & \\ slash, \\F\\ too.\nSecond line:\ttab\nThird, Ünïcode ★"
NAMED = {"identifier": {"system": "https://alder-bay.example/staff", "value": "s|1^8"}, "display": "A. & B. ~ C"}


def awkward_course():
    first = check("ch-1", "2026-03-03T08:00:00.25+01:00", performer=NAMED, note=AWKWARD)
    patient = {"identifier": {"system": "https://alder-bay.example/mrn", "value": "AB^1|2"}}
    return course_file(installation(), first, patient=patient)


@pytest.fixture(scope="session")
def workflow(tmp_path_factory):
    folder = tmp_path_factory.mktemp("hl7v2")
    opened = open_workflow(Settings(database_url=f"sqlite:///{folder}/readings.sqlite3", synchronous="OFF"))
    for path in sorted(EXAMPLES.glob("*/course*.json")):
        opened.record_course(strict_json.read(path.read_bytes()), NOW)
    opened.record_course(awkward_course(), NOW)
    yield opened
    opened.close()


@pytest.fixture(scope="session")
def words():
    return Vocabulary(load(), read_v2_codes())


@pytest.fixture(scope="session")
def codes():
    return read_v2_codes()


@pytest.fixture(scope="session")
def told(workflow, words):
    """The message of an entry, as text."""

    def message(course_id, entry_id, **envelope):
        with workflow.store.read("demo") as reading:
            charted = charted_entry(reading, course_id, entry_id)
        return oru_r01(charted, Envelope(**{"sending_facility": "demo"} | envelope), words).decode()

    return message


def entries_of(workflow):
    """Course and entry of every clinical entry that is stored."""
    with workflow.store.read("demo") as reading:
        return [
            (row.course_id, one.entry_id)
            for row in reading.courses(limit=100)
            for one in reading.entries(row.course_id)
            if one.kind not in ("amendment", "retraction")
        ]


def fields_of(message, name):
    """The fields of every segment of a name, by number; MSH counted as the standard counts it."""
    lines = [line.split("|") for line in message.split("\r") if line.startswith(f"{name}|")]
    return [dict(enumerate([line[0], "|", *line[1:]] if name == "MSH" else line)) for line in lines]
