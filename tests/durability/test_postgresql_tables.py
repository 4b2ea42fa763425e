"""What docs/postgresql.md and docs/durability.md tell an administrator to do, done: dumps, parts, distribution."""

import re
import subprocess
from pathlib import Path

import psycopg
import pytest
from sqlalchemy import create_engine, inspect

from service.config import Settings
from service.store.copying import copy_database, tables
from service.workflow import open_workflow
from tests.durability import servers
from tests.engines import fresh_database
from tests.intake.documents import NOW, check, course_file, installation
from tests.store.test_copying import filled, rows_of

DOCS = Path(__file__).parents[2] / "docs"
PAGE = (DOCS / "postgresql.md").read_text("utf-8")
FUNCTION = (DOCS / "partition-by-site.sql").read_text("utf-8")


def block(language: str) -> str:
    return PAGE.partition(f"```{language}\n")[2].partition("```")[0]


def partition(url: str, how: str) -> None:
    """Run the page's text, `list` or `hash`, in one transaction."""
    assert "partition_by_site" in block(f"sql {how}")
    with psycopg.connect(url) as connection:
        connection.execute(FUNCTION)
        connection.execute(block(f"sql {how}"))


@pytest.fixture(scope="module")
def server():
    with servers.own_server() as started:
        yield started


def test_a_dump_of_postgresql_restores_as_it_was(server, tmp_path):
    source = filled(fresh_database(server.get_uri()))
    target = fresh_database(server.get_uri())
    dump = tmp_path / "readings.dump"
    with dump.open("wb") as file:
        subprocess.run([server.bin_path / "pg_dump", "-Fc", source], stdout=file, check=True)
    subprocess.run(
        [server.bin_path / "pg_restore", "--exit-on-error", "--single-transaction", "-d", target, str(dump)], check=True
    )
    assert rows_of(target) == rows_of(source)
    workflow = open_workflow(Settings(database_url=target))
    assert list(workflow.differences(NOW)) == []
    workflow.close()


@pytest.mark.parametrize(("how", "parts_of_all"), [("list", 5 * 2), ("hash", 5 * 8)])
def test_the_tables_can_be_partitioned_by_site_and_a_search_reads_one_part(server, how, parts_of_all):
    url = filled(fresh_database(server.get_uri()))
    before, shape = rows_of(url), shapes(url)
    partition(url, how)
    assert rows_of(url) == before
    assert shapes(url) == shape
    with psycopg.connect(url) as connection:
        asked = "SELECT body FROM resources WHERE site = 'ward-seven' AND id = 'p-1-o-1' AND type = 'Observation'"
        plan = "\n".join(row[0] for row in connection.execute(f"EXPLAIN {asked}"))
        made = connection.execute("SELECT count(*) FROM pg_class WHERE relispartition AND relkind = 'r'").fetchone()
    read = set(re.findall(r"\bon (resources_\w+)", plan))
    assert len(read) == 1, "one part of all"
    assert how == "hash" or read == {"resources_ward_seven"}
    assert made == (parts_of_all,)
    workflow = open_workflow(Settings(database_url=url))
    workflow.record_course(course_file(installation(), check(), course_id="c-1"), NOW)
    assert list(workflow.differences(NOW)) == []
    workflow.close()


def test_the_audit_record_stays_append_only_in_every_part(server):
    url = filled(fresh_database(server.get_uri()))
    partition(url, "list")
    with psycopg.connect(url, autocommit=True) as connection:
        for table in ("audit_events", "audit_events_rest", "audit_events_ward_seven"):
            for statement in (f"DELETE FROM {table}", f"UPDATE {table} SET action = 'X'", f"TRUNCATE {table}"):
                with pytest.raises(psycopg.errors.RaiseException):
                    connection.execute(statement)


def test_a_partitioned_database_is_copied_into_a_plain_one(server, tmp_path):
    url = filled(fresh_database(server.get_uri()))
    before = rows_of(url)
    partition(url, "list")
    target = f"sqlite:///{tmp_path}/plain.sqlite3"
    copy_database(url, target)
    assert rows_of(target) == before


def shapes(url: str) -> list[object]:
    """Columns, keys and indexes of the tables."""
    engine = create_engine(url.replace("postgresql://", "postgresql+psycopg://"))
    found = inspect(engine)
    shape = [
        (
            table.name,
            [(column["name"], str(column["type"]), column["nullable"]) for column in found.get_columns(table.name)],
            found.get_pk_constraint(table.name),
            sorted((one["name"], tuple(one["column_names"])) for one in found.get_unique_constraints(table.name)),
            sorted((one["name"], tuple(one["column_names"])) for one in found.get_indexes(table.name)),
            sorted((one["name"], tuple(one["constrained_columns"])) for one in found.get_foreign_keys(table.name)),
        )
        for table in tables()
    ]
    engine.dispose()
    return shape


def test_what_the_documentation_distributes_by_site_is_every_table_keyed_by_it():
    named = set(block("distributed").split())
    assert named == {table.name for table in tables() if "site" in table.primary_key.columns}
