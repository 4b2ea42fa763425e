"""Commands of the command line killed at any moment: what they had done is whole, and done again they finish."""

import os
import random
import subprocess
import sys
import time

import pytest
from sqlalchemy import create_engine, func, select, text
from sqlalchemy.exc import DBAPIError

from service import strict_json
from service.config import Settings
from service.store.backups import restore
from service.store.tables import courses
from service.workflow import open_workflow
from tests.durability.faults import measured
from tests.intake.documents import NOW, check, course_file, installation
from tests.store.test_copying import rows_of

COURSES = 24
ENTRIES = {(f"c-{number:02}", entry_id) for number in range(COURSES) for entry_id in ("in-1", "ch-1")}


def files():
    return [course_file(installation(), check("ch-1"), course_id=f"c-{number:02}") for number in range(COURSES)]


def begin(database_url, *arguments):
    """A command in a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "service", *arguments], env=os.environ | {"DATABASE_URL": database_url},
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


def complete(database_url, *arguments):
    """Run a command to its end; what it said."""
    process = begin(database_url, *arguments)
    out, error = process.communicate(timeout=120)
    assert process.returncode == 0, error.decode()
    return (out + error).decode()


def kill_when(process, reached):
    """Kill -9 once `reached()` holds; false when the command had ended before."""
    while process.poll() is None and not reached():
        time.sleep(0.001)
    process.kill()
    process.communicate()
    return process.returncode == -9


def engine(database_url):
    return create_engine(database_url.replace("postgresql://", "postgresql+psycopg://"))


def seen(database_url, wanted):
    """The first row of a query, None while there are no tables or they are being made."""
    opened = engine(database_url)
    try:
        with opened.connect() as connection:
            return connection.execute(wanted).first()
    except DBAPIError:
        return None
    finally:
        opened.dispose()


def known_courses(database_url):
    return (seen(database_url, select(func.count()).select_from(courses)) or [0])[0]


@pytest.mark.slow
def test_load_killed_midway_and_begun_again_has_everything_once(tmp_path, database_url):
    listed = tmp_path / "courses.jsonl"
    listed.write_bytes(b"\n".join(strict_json.write(document) for document in files()))
    kills = 0
    for until in (3, 9, 17):
        killed = kill_when(begin(database_url, "load", str(listed)), lambda n=until: known_courses(database_url) >= n)
        there = known_courses(database_url)
        kills += killed
        assert there >= until
    assert kills == 3
    assert f"{there} already known" in complete(database_url, "load", str(listed))
    assert measured("load", database_url, kills, ENTRIES) == len(ENTRIES)


@pytest.mark.slow
def test_rebuild_killed_midway_and_begun_again_agrees_with_the_record(database_url):
    workflow = open_workflow(Settings(database_url=database_url))
    for document in files():
        workflow.record_course(document, NOW)
    workflow.close()
    opened = engine(database_url)
    with opened.begin() as connection:  # as a change of formulas would have it: every course differs
        connection.execute(text("UPDATE resources SET body = :b, digest = :d WHERE type = 'CarePlan'"), OTHER)
    opened.dispose()
    kills = 0
    for until in (2, 12):
        kills += kill_when(begin(database_url, "rebuild"), lambda n=until: mended(database_url) >= n)
        assert until <= mended(database_url) < COURSES
    assert kills == 2
    complete(database_url, "rebuild")
    assert mended(database_url) == COURSES
    assert measured("rebuild", database_url, kills, ENTRIES) == len(ENTRIES)
    assert "is what its record gives" in complete(database_url, "rebuild", "--check")


OTHER = {"b": b'{"resourceType":"CarePlan","id":"other","meta":{"versionId":"1"}}', "d": b"other"}


def mended(database_url):
    counted = text("SELECT count(*) FROM resources WHERE type = 'CarePlan' AND digest <> :d").bindparams(d=b"other")
    row = seen(database_url, counted)
    return row[0] if row else 0


@pytest.mark.slow
def test_a_backup_killed_midway_has_no_name_and_the_next_one_is_whole(tmp_path):
    url = f"sqlite:///{tmp_path}/ward.sqlite3"
    workflow = open_workflow(Settings(database_url=url))
    for document in files():
        workflow.record_course(document, NOW)
    workflow.close()
    chance, kills, before = random.Random(20260302), 0, rows_of(url)
    for number in range(4):
        wanted = tmp_path / f"backup-{number}"
        process = begin(url, "backup", str(wanted))
        kills += kill_when(process, wanted.with_name(wanted.name + ".partial").exists)
        if wanted.exists():  # killed after it had its name: then it is whole
            restore(wanted, f"sqlite:///{tmp_path}/restored-{number}.sqlite3")
            assert rows_of(f"sqlite:///{tmp_path}/restored-{number}.sqlite3") == before
        time.sleep(chance.uniform(0, 0.01))
    assert kills >= 3
    complete(url, "backup", str(tmp_path / "backup-x"))
    restored = f"sqlite:///{tmp_path}/restored.sqlite3"
    restore(tmp_path / "backup-x", restored)
    assert rows_of(restored) == before
    assert measured("backup", restored, kills, ENTRIES) == len(ENTRIES)


@pytest.mark.slow
def test_a_copy_killed_midway_is_not_served_and_copied_again_is_the_same(tmp_path, database_url):
    source = f"sqlite:///{tmp_path}/source.sqlite3"
    workflow = open_workflow(Settings(database_url=source))
    for document in files():
        workflow.record_course(document, NOW)
    workflow.close()
    kills = 0
    for pause in (0.0, 0.05, 0.15):
        process = begin(source, "copy", "--from", source, "--to", database_url)
        marked = select(text("version_num")).select_from(text("alembic_version")).where(text("version_num = 'copying'"))
        if kill_when(process, lambda query=marked, s=pause: seen(database_url, query) and not time.sleep(s)):
            kills += 1
            refused = begin(database_url, "due")
            assert refused.wait(timeout=60) == 3
            assert b"run closure-readings copy again" in refused.communicate()[1]
    assert kills >= 2
    complete(source, "copy", "--from", source, "--to", database_url)
    assert rows_of(database_url) == rows_of(source)
    assert measured("copying", database_url, kills, ENTRIES) == len(ENTRIES)
