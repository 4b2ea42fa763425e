"""The numbered steps make exactly the tables that the service works with, also when two processes start at once."""

import subprocess
import sys

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import create_engine, inspect

from service.store import SchemaError, open_store
from service.store.engines import engines
from service.store.tables import metadata


def test_the_migrated_schema_is_the_one_of_the_tables(store, database_url):
    _, reader = engines(database_url, "FULL")
    with reader.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []
    reader.dispose()


def test_the_migrated_schema_has_every_index_key_and_column_of_the_tables(store, database_url, tmp_path):
    """Beside Alembic's own comparison, which does not look at primary keys."""
    made = create_engine(f"sqlite:///{tmp_path / 'made.sqlite3'}")
    metadata.create_all(made)
    _, reader = engines(database_url, "FULL")
    expected, found = inspect(made), inspect(reader)
    assert set(found.get_table_names()) == set(expected.get_table_names()) | {"alembic_version"}
    for table in expected.get_table_names():
        assert _shape(found, table) == _shape(expected, table), table
    made.dispose()
    reader.dispose()


def _shape(inspector, table):
    indexes = [each for each in inspector.get_indexes(table) if not each["unique"]]
    return (
        sorted((column["name"], column["nullable"]) for column in inspector.get_columns(table)),
        inspector.get_pk_constraint(table)["constrained_columns"],
        sorted(tuple(each["column_names"]) for each in inspector.get_unique_constraints(table)),
        sorted((each["name"], tuple(each["column_names"])) for each in indexes),
        sorted(tuple(each["constrained_columns"]) for each in inspector.get_foreign_keys(table)),
    )


def test_migrating_again_changes_nothing(store):
    store.migrate()
    store.ready()


def test_an_empty_database_is_not_ready(database_url):
    store = open_store(database_url)
    with pytest.raises(SchemaError):
        store.ready()
    store.close()


def test_processes_that_start_at_once_migrate_once(database_url):
    program = """
import sys
from service.store import open_store
store = open_store(sys.argv[1])
store.migrate()
store.ready()
store.close()
"""
    command = [sys.executable, "-c", program, database_url]
    started = [subprocess.Popen(command, stderr=subprocess.PIPE) for _ in range(4)]
    ended = [process.communicate()[1].decode() for process in started]
    assert [process.returncode for process in started] == [0, 0, 0, 0], ended
