"""The tables' version: numbered steps of Alembic, run from inside the service."""

import logging
from functools import cache
from importlib.resources import files

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, text

from service.store.errors import SchemaError
from service.store.reindexing import reindex

COPYING = "copying"  # stands in place of the step while `store.copying` fills the tables

# Of a step that runs the log tells; not each time that somebody asks which step the tables are at.
logging.getLogger("alembic.runtime.migration").addFilter(lambda record: str(record.msg).startswith("Running"))

_ADVISORY_LOCK = 0x636C6F73  # any number; the same for every process of this service


def alembic_config() -> Config:
    """Configuration of Alembic with the steps that lie inside the package."""
    config = Config()
    config.set_main_option("script_location", str(files("service").joinpath("migrations")).replace("%", "%%"))
    return config


@cache
def expected_revision() -> str:
    """The step that this version of the service needs."""
    head = ScriptDirectory.from_config(alembic_config()).get_current_head()
    if head is None:
        raise RuntimeError("the package carries no migration")
    return head


def current_revision(connection: Connection) -> str | None:
    """The step that the database is at, None for an empty one."""
    return MigrationContext.configure(connection).get_current_revision()


def refuse_other_tables(found: str | None) -> None:
    """SchemaError unless the step found is the one needed; its words say what to do."""
    if found == COPYING:
        raise SchemaError("a copy into this database was interrupted: run closure-readings copy again")
    if found is not None and found not in _known_revisions():
        raise SchemaError("the tables are those of a later version of the service: start that version")
    if found != expected_revision():
        raise SchemaError("the tables are not those of this version of the service: run the migration")


def mark(connection: Connection, revision: str) -> None:
    """Write which step the tables are at, within the caller's transaction."""
    connection.execute(text("UPDATE alembic_version SET version_num = :revision"), {"revision": revision})


@cache
def _known_revisions() -> frozenset[str]:
    return frozenset(script.revision for script in ScriptDirectory.from_config(alembic_config()).walk_revisions())


def upgrade(engine: Engine) -> None:
    """Run the missing steps in one transaction.

    A second process waits for the first and then finds nothing to do: on SQLite the transaction takes the write lock
    as it begins, on PostgreSQL an advisory lock does the same.
    """
    with engine.begin() as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(text("SET LOCAL lock_timeout = 0"))  # the first may take long; nothing is served yet
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _ADVISORY_LOCK})
        before = current_revision(connection)
        if before == expected_revision():
            return
        if before is not None and before not in _known_revisions():
            refuse_other_tables(before)
        config = alembic_config()
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
        if before is not None:
            reindex(connection)
