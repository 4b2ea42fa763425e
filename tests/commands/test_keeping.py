"""`rebuild`, `backup`, `restore` and `copy` as a person runs them: exit codes and words."""

import os
import subprocess
import sys
from pathlib import Path

from sqlalchemy import create_engine, text

EXAMPLE = next((Path(__file__).parents[2] / "examples").glob("01*/course.json"))


def run(url: str, *arguments: object) -> "subprocess.CompletedProcess[str]":
    command = [sys.executable, "-m", "service", *map(str, arguments)]
    return subprocess.run(command, env=os.environ | {"DATABASE_URL": url}, capture_output=True, text=True)


def loaded(url: str) -> str:
    assert run(url, "load", EXAMPLE).returncode == 0
    return url


def test_rebuild_compares_writes_and_then_agrees(database_url):
    loaded(database_url)
    agrees = run(database_url, "rebuild", "--check")
    assert (agrees.returncode, agrees.stdout) == (0, "")
    assert agrees.stderr.strip() == "every stored resource is what its record gives"
    engine = create_engine(database_url.replace("postgresql://", "postgresql+psycopg://"))
    with engine.begin() as connection:
        connection.execute(text("DELETE FROM identifiers WHERE type = 'Goal'"))
        connection.execute(text("DELETE FROM resources WHERE type = 'Goal'"))
    engine.dispose()
    differs = run(database_url, "rebuild", "--check")
    assert differs.returncode == 1
    assert "Goal/" in differs.stdout
    assert differs.stdout.strip().endswith("is missing")
    assert "1 courses differ" in differs.stderr
    assert run(database_url, "rebuild").returncode == 0
    assert run(database_url, "rebuild", "--check").returncode == 0


def test_backup_restore_and_copy_end_in_a_database_that_agrees(tmp_path, postgresql_url):
    url = loaded(f"sqlite:///{tmp_path}/served.sqlite3")
    backup = run(url, "backup", tmp_path / "kept")
    assert backup.returncode == 0, backup.stderr
    assert "1 courses" in backup.stdout
    again = run(url, "backup", tmp_path / "kept")
    assert again.returncode == 3
    assert "already" in again.stderr
    restored = f"sqlite:///{tmp_path}/restored.sqlite3"
    assert run(restored, "restore", tmp_path / "kept").returncode == 0
    assert run(restored, "restore", tmp_path / "kept").returncode == 3
    copied = run(restored, "copy", "--from", restored, "--to", postgresql_url)
    assert copied.returncode == 0, copied.stderr
    assert "resources" in copied.stdout
    assert run(postgresql_url, "rebuild", "--check").returncode == 0
    refused = run(postgresql_url, "backup", tmp_path / "other")
    assert refused.returncode == 3
    assert "pg_dump" in refused.stderr
