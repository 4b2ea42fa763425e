"""Everything of one database in another: rows, clocks, versions; nothing over what is there, no half copy served."""

import tracemalloc
from pathlib import Path

import psycopg
import pytest
from sqlalchemy import create_engine, func, inspect, select, text

from service import strict_json
from service.config import Settings
from service.store import SchemaError, StoreError, copying, open_store
from service.store.copying import copy_database, tables
from service.store.tables import resources, site_clocks
from service.workflow import open_workflow
from service.workflow.rebuilding import compare_all
from tests.durability.faults import engine_of, write_down
from tests.store.samples import SITE, later, observation, save
from tests.workflow.test_rebuilding import EXAMPLES, NOW


def filled(url: str) -> str:
    """A database with courses, a correction, superseded versions, a deletion and two sites."""
    workflow = open_workflow(Settings(database_url=url))
    for name in ("01", "03"):
        for path in sorted(EXAMPLES.glob(f"{name}*/course*.json")):
            workflow.record_course(strict_json.read(path.read_bytes()), NOW)
    save(workflow.store, observation(1), observation(2), observation(3))
    save(workflow.store, observation(1, note=[{"text": "Grüße, 31.0 mm"}]), now=later(1))
    with workflow.store.write(SITE, later(2)) as unit:
        unit.delete_resources([("Observation", "p-1-o-2")])
    workflow.close()
    return url


def rows_of(url: str) -> dict[str, list]:
    engine = create_engine(url.replace("postgresql://", "postgresql+psycopg://"))
    with engine.connect() as connection:
        found = {table.name: sorted(map(repr, connection.execute(select(table)))) for table in tables()}
    engine.dispose()
    return found


def test_to_postgresql_and_back_is_the_same_and_goes_on_where_it_was(tmp_path, postgresql_url):
    first = filled(f"sqlite:///{tmp_path / 'first.sqlite3'}")
    second = f"sqlite:///{tmp_path / 'second.sqlite3'}"
    there = copy_database(first, postgresql_url)
    back = copy_database(postgresql_url, second)
    assert there == back
    assert rows_of(first) == rows_of(postgresql_url) == rows_of(second)
    assert there["resources"].rows > 100
    for url in (postgresql_url, second):
        workflow = open_workflow(Settings(database_url=url))
        assert [one for one in compare_all(workflow, NOW) if one.differences] == []
        with workflow.store.read(SITE) as unit:
            before = unit.resource("Observation", "p-1-o-1")
        save(
            workflow.store, observation(1, status="amended"), now=later(-10)
        )  # an earlier clock: the site's row counts
        with workflow.store.read(SITE) as unit:
            after = unit.resource("Observation", "p-1-o-1")
        assert (after.version, after.last_updated) > (before.version, before.last_updated)
        assert unit_arrivals(workflow) == sorted(set(unit_arrivals(workflow)))
        workflow.close()


def test_postgresql_knows_the_sizes_of_what_was_copied_into_it(tmp_path, postgresql_url):
    copied = copy_database(filled(f"sqlite:///{tmp_path / 'first.sqlite3'}"), postgresql_url)
    with psycopg.connect(postgresql_url) as connection:
        known = connection.execute("SELECT reltuples FROM pg_class WHERE relname = 'resources'").fetchone()
    assert known == (copied["resources"].rows,)


def unit_arrivals(workflow) -> list[int]:
    with workflow.store.read(SITE) as unit:
        wanted = select(resources.c.arrival).where(resources.c.site == SITE).order_by(resources.c.arrival)
        arrivals = list(unit.connection.execute(wanted).scalars())
        last = unit.connection.execute(
            select(site_clocks.c.last_arrival).where(site_clocks.c.site == SITE)
        ).scalar_one()
    assert max(arrivals) <= last
    return arrivals


def test_every_table_of_a_migrated_database_is_copied(tmp_path, store, database_url):
    found = set(inspect(store._reader).get_table_names()) - {"alembic_version"}
    assert {table.name for table in tables()} == found


def one_row_of(table) -> dict:
    """A value of the column's kind in every column; one that refers to another has that one's value."""
    values = {}
    for column in table.c:
        named = next(iter(column.foreign_keys)).column if column.foreign_keys else column
        while named.foreign_keys:
            named = next(iter(named.foreign_keys)).column
        number = sum(map(ord, named.name))
        made = {
            str: f"ä{named.name}"[: getattr(column.type, "length", None)],
            int: number,
            bool: True,
            bytes: b"\x00\xff",
        }
        values[column.name] = made[column.type.python_type]
    return values


def test_a_row_of_every_table_comes_through_there_and_back(tmp_path, postgresql_url):
    """Also of tables that no test fills: a kind of column without a digest, or a reference out of order, shows here."""
    first, second = (f"sqlite:///{tmp_path / name}.sqlite3" for name in ("first", "second"))
    store = open_store(first)
    store.migrate()
    store.close()
    engine = create_engine(first)
    with engine.begin() as connection:
        for table in tables():
            connection.execute(table.insert(), one_row_of(table))
    engine.dispose()
    there, back = copy_database(first, postgresql_url), copy_database(postgresql_url, second)
    assert there == back
    assert {tally.rows for tally in there.values()} == {1}
    assert len({tally.digest for tally in there.values()}) == len(there) == len(tables())
    assert rows_of(first) == rows_of(postgresql_url) == rows_of(second)


def test_a_target_that_holds_anything_is_refused_and_left_as_it_is(tmp_path, database_url):
    source = filled(f"sqlite:///{tmp_path / 'source.sqlite3'}")
    filled(database_url)
    before = rows_of(database_url)
    with pytest.raises(StoreError, match="not empty"):
        copy_database(source, database_url)
    assert rows_of(database_url) == before
    with pytest.raises(StoreError, match="same database"):
        copy_database(source, source)
    store = open_store(database_url)
    store.ready()
    store.close()


def test_an_interrupted_copy_is_not_served_and_can_be_started_again(tmp_path, database_url):
    source = filled(f"sqlite:///{tmp_path / 'source.sqlite3'}")

    def pull_the_plug(table: str, done: int, _in_all: int) -> None:
        if table == "resources" and done:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        copy_database(source, database_url, pull_the_plug)
    store = open_store(database_url)
    for start in (store.ready, store.migrate):
        with pytest.raises(SchemaError, match="copy again"):
            start()
    store.close()
    assert not any(rows_of(database_url).values())
    copy_database(source, database_url)
    assert rows_of(database_url) == rows_of(source)
    write_down("copy-stopped", engine_of(database_url), 1, len(rows_of(source)["entries"]))


def test_a_copy_that_reads_back_otherwise_is_not_kept(tmp_path, database_url, monkeypatch):
    source = filled(f"sqlite:///{tmp_path / 'source.sqlite3'}")

    def spoil(table: str, done: int, in_all: int) -> None:
        copying_tables.append(table)

    copying_tables: list[str] = []
    right = copying.tally
    monkeypatch.setattr(
        copying, "tally", lambda c, t: right(c, t)._replace(rows=0) if t.name == "entries" else right(c, t)
    )
    with pytest.raises(StoreError, match="entries"):
        copy_database(source, database_url, spoil)
    assert "resources" in copying_tables
    assert not any(rows_of(database_url).values())


def test_a_source_of_another_version_or_with_unknown_tables_is_refused(tmp_path):
    source, target = filled(f"sqlite:///{tmp_path / 's.sqlite3'}"), f"sqlite:///{tmp_path / 't.sqlite3'}"
    engine = create_engine(source)
    with engine.begin() as connection:
        connection.execute(text("CREATE TABLE added_by_hand (a INTEGER)"))
    with pytest.raises(SchemaError, match="added_by_hand"):
        copy_database(source, target)
    with engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '0001'"))
    with pytest.raises(SchemaError, match="start the service"):
        copy_database(source, target)
    engine.dispose()
    assert not Path(tmp_path / "t.sqlite3").exists()


def test_memory_does_not_grow_with_the_database(tmp_path):
    def peak(rows: int) -> int:
        source, target = (f"sqlite:///{tmp_path}/{rows}-{name}.sqlite3" for name in ("source", "target"))
        store = open_store(source, synchronous="OFF")
        store.migrate()
        for start in range(0, rows, 500):
            save(store, *(observation(number, note=[{"text": "x" * 2000}]) for number in range(start, start + 500)))
        store.close()
        tracemalloc.start()
        copied = copy_database(source, target)
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert copied["resources"].rows == rows
        return most

    peak(500)  # whatever is made once
    assert peak(6000) < 1.3 * peak(1500)


def test_counting_of_rows_and_digests_sees_every_change(store):
    save(store, observation(1), observation(2))
    with store._reader.connect() as connection:
        before = copying.tally(connection, resources)
        assert before.rows == connection.execute(select(func.count()).select_from(resources)).scalar_one() == 2
    engine = create_engine(store._writer.url)
    with engine.begin() as connection:
        connection.execute(text("UPDATE resources SET terms = terms || ' ' WHERE id = 'p-1-o-1'"))
    engine.dispose()
    with store._reader.connect() as connection:
        after = copying.tally(connection, resources)
    assert after.rows == before.rows
    assert after.digest != before.digest
