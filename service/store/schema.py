"""The tables' version: numbered steps of Alembic, run from inside the service."""

from functools import cache
from importlib.resources import files

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, text

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


def upgrade(engine: Engine) -> None:
    """Run the missing steps in one transaction.

    A second process waits for the first and then finds nothing to do: on SQLite the transaction takes the write lock
    as it begins, on PostgreSQL an advisory lock does the same.
    """
    with engine.begin() as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _ADVISORY_LOCK})
        if current_revision(connection) == expected_revision():
            return
        config = alembic_config()
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
