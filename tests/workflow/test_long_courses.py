"""A late entry or a correction at the start of a long course derives all after it anew, at a cost linear in entries.

Work is counted, never timed: calls of Python functions of the service (sys.setprofile), entries folded, resources built
and statements sent to a real SQLite store. Readings are invented.
"""

import sys
from collections import Counter
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from sqlalchemy import Engine, event

import service
from service.clinic.course import CourseFold
from service.clinic.standing import Charted
from service.config import Settings
from service.fhir import wire
from service.intake.members import read_course, read_entry
from service.projection import open_site, project
from service.workflow import open_workflow
from tests.intake.documents import check, course, installation, reset

START = datetime(2026, 3, 2, 11, tzinfo=UTC)
NOW = datetime(2026, 6, 1, tzinfo=UTC)
ROOT = str(Path(service.__file__).parent)
STATIONS = (40, 80, 120)
LATE = "2026-03-02T13:00:00+00:00"  # two hours after the installation, before every check


def at(hours):
    return (START + timedelta(hours=hours)).isoformat()


def gaps(widest):
    shares = zip(STATIONS, (0.7, 1, 0.75), strict=True)
    return [{"station_mm": station, "gap_mm": Decimal(str(round(widest * share, 1)))} for station, share in shares]


def long_course(checks):
    """Installation, then a check every twelve hours and a reset after every second one, closing slowly with waves."""
    entries = [installation(at=at(0))]
    for number in range(1, checks + 1):
        hours = 12 * number
        widest = 58 * 0.99**number + 2 * (number % 3)
        bands = [{"band": band, "mark_mm": Decimal("16.5")} for band in (1, 2, 3)]
        entries.append(check(f"c{number}", at(hours), gaps=gaps(widest), bands=bands))
        if number % 2 == 0:
            settings = [{"band": band, "mark_mm_after": Decimal("18.5")} for band in (1, 2, 3)]
            entries.append(reset(f"r{number}", at(hours + 0.25), bands=settings))
    return {"course": course(), "entries": entries}


def late_check(entry_id="late"):
    return check(entry_id, LATE, gaps=gaps(57), bands=[{"band": 1, "mark_mm": Decimal("16.0")}])


@contextmanager
def counted(monkeypatch):
    """Counts calls of the service's own functions and folded entries."""
    work, take = Counter(), CourseFold.take

    def counting_take(self, entry):
        work["folded"] += 1
        take(self, entry)

    def profile(frame, kind, argument):
        if kind == "call" and frame.f_code.co_filename.startswith(ROOT):
            work["calls"] += 1

    monkeypatch.setattr(CourseFold, "take", counting_take)
    sys.setprofile(profile)
    try:
        yield work
    finally:
        sys.setprofile(None)
        monkeypatch.undo()


def charted(document, *more):
    return [Charted(read_entry(entry), place) for place, entry in enumerate([*document["entries"], *more], start=1)]


def projection_work(site, checks, monkeypatch, late):
    """Work of projecting one more entry: late at the start, or appended at the end."""
    document = long_course(checks)
    further = late_check() if late else check("last", at(12 * checks + 1), gaps=gaps(20))
    before, after = charted(document), charted(document, further)
    opened = read_course(document["course"])
    project(site, opened, before, after, NOW)  # caches that last for the process are filled
    with counted(monkeypatch) as work:
        projected = project(site, opened, before, after, NOW)
    work["built"] = len(projected.resources)
    return work, len(after)


def test_a_late_entry_at_the_start_of_a_course_of_60_checks_builds_every_entry_again(monkeypatch):
    work, entries = projection_work(open_site(Settings()), 60, monkeypatch, late=True)
    assert entries == 92
    assert work["folded"] == entries  # one pass: each entry folded once
    assert work["built"] > 60 * 15


def test_the_work_after_a_late_entry_is_linear_in_the_entries(monkeypatch):
    site = open_site(Settings())
    work = {checks: projection_work(site, checks, monkeypatch, late=True)[0] for checks in (30, 60, 120)}
    for kind in ("calls", "folded", "built"):
        first, second, third = (work[checks][kind] for checks in (30, 60, 120))
        # Twice the further entries cost twice the further work. A quadratic cost would give 4; 8 % are left to what a
        # forecast sums over all readings.
        assert (third - second) / (second - first) == pytest.approx(2, rel=0.08), kind


def test_an_entry_appended_to_a_long_course_builds_only_its_own_and_the_courses_resources(monkeypatch):
    site = open_site(Settings())
    built = {checks: projection_work(site, checks, monkeypatch, late=False)[0]["built"] for checks in (30, 120)}
    resets = 120 // 2 - 30 // 2  # a Task for each period between settings belongs to the course
    assert built[120] - built[30] <= resets + 2 * resets


@pytest.fixture
def sent():
    """Every statement that SQLite runs, rows of a batch one by one."""
    statements = []

    def trace(connection, record):
        connection.set_trace_callback(statements.append)

    event.listen(Engine, "connect", trace)
    yield statements
    event.remove(Engine, "connect", trace)


@pytest.fixture
def workflow(tmp_path, sent):
    opened = open_workflow(Settings(database_url=f"sqlite:///{tmp_path}/long.sqlite3", synchronous="OFF"))
    yield opened
    opened.close()


def stored(workflow, course_id):
    """What is stored and was not withdrawn, without what the store adds; Provenance tells of the writes."""
    with workflow.store.read("demo") as unit:
        found = {key: wire.read(body) for key, body in unit.bodies(list(unit.current(course_id))).items()}
    return {
        key: {name: member for name, member in body.items() if name != "meta"}
        for key, body in found.items()
        if key[0] != "Provenance" and body.get("status") != "entered-in-error"
    }


@pytest.mark.parametrize("kind", ["late entry", "correction"])
def test_what_is_stored_after_a_change_at_the_start_is_what_a_fresh_course_gives(workflow, tmp_path, kind):
    document = long_course(60)
    workflow.record_course(document, NOW)
    if kind == "late entry":
        change = late_check()
    else:
        corrected = {**document["entries"][0], "gaps": gaps(66)}
        change = {
            "kind": "amendment", "entry_id": "am-1", "at": at(800), "performer": corrected["performer"],
            "amends": corrected["entry_id"], "entry": corrected, "reason": "misread",
        }  # fmt: skip
    assert workflow.record_entries("alder-1", change, NOW).changed
    changed = stored(workflow, "alder-1")
    fresh = open_workflow(Settings(database_url=f"sqlite:///{tmp_path}/fresh.sqlite3", synchronous="OFF"))
    fresh.record_course(document | {"entries": [*document["entries"], change]}, NOW)
    assert changed == stored(fresh, "alder-1")
    fresh.close()


def test_entries_and_statements_of_a_late_entry_grow_linearly_through_the_workflow(workflow, sent, monkeypatch):
    statements, folded = {}, {}
    for checks in (15, 30, 60, 120):  # the first stores the site's sets of tokens too, so it is not compared
        document = long_course(checks)
        document["course"]["course_id"] = f"alder-{checks}"
        workflow.record_course(document, NOW)
        sent.clear()
        with counted(monkeypatch) as work:
            assert workflow.record_entries(f"alder-{checks}", late_check(), NOW).changed
        statements[checks], folded[checks] = len(sent), work["folded"]
        assert work["folded"] <= 2 * (len(document["entries"]) + 1)  # once for the resources, once for the view
    assert statements[120] > statements[30] > 0
    assert statements[120] - statements[60] == pytest.approx(2 * (statements[60] - statements[30]), rel=0.15)
    assert folded[120] - folded[60] == pytest.approx(2 * (folded[60] - folded[30]), abs=4)
