"""Resources that were stored before a step of the schema are found by what the step added."""

from alembic import command
from sqlalchemy import text

from service.store import open_store
from service.store.engines import engines
from service.store.schema import alembic_config
from tests.store.samples import SITE, observation, save
from tests.store.test_searching import found

QUANTITY = {"value": 31, "unit": "mm", "system": "http://unitsofmeasure.org", "code": "mm"}
PART = {"code": {"coding": [{"code": "st"}]}, "valueQuantity": QUANTITY | {"value": 2, "unit": "cm", "code": "cm"}}


def make_first_schema(database_url: str) -> None:
    writer, reader = engines(database_url, "FULL")
    with writer.begin() as connection:
        config = alembic_config()
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
    writer.dispose()
    reader.dispose()


def store_under_the_first_schema(tmp_path, database_url, count: int) -> None:
    """A database as the first version of the schema left it, with so many Observations."""
    new = open_store(f"sqlite:///{tmp_path / 'source.sqlite3'}")
    new.migrate()
    save(new, *(observation(n, valueQuantity=QUANTITY, component=[PART]) for n in range(1, count + 1)))
    with new.read(SITE) as unit:
        columns = (
            "site, type, arrival, id, version, last_updated, patient, code_set, token_set, date_low, date_high, "
            "other_date_low, other_date_high, course_id, entry_id, digest, terms, body"
        )
        rows = unit.connection.execute(text(f"SELECT {columns} FROM resources")).mappings().all()
        clocks = unit.connection.execute(text("SELECT * FROM site_clocks")).mappings().all()
    new.close()
    make_first_schema(database_url)
    writer, reader = engines(database_url, "FULL")
    names = [name.strip() for name in columns.split(",")]
    with writer.begin() as connection:
        connection.execute(
            text(f"INSERT INTO resources ({columns}) VALUES ({', '.join(':' + name for name in names)})"),
            [dict(row) | {"code_set": 0, "token_set": 0, "terms": ""} for row in rows],
        )
        connection.execute(
            text(f"INSERT INTO site_clocks VALUES ({', '.join(':' + name for name in clocks[0])})"), [dict(clocks[0])]
        )
    writer.dispose()
    reader.dispose()


def test_what_was_stored_under_the_first_schema_is_found_by_its_numbers(tmp_path, database_url):
    store_under_the_first_schema(tmp_path, database_url, 900)
    store = open_store(database_url)
    store.migrate()
    everything = {f"p-1-o-{n}" for n in range(1, 901)}
    for asked in ("value-quantity=3.1||cm", "component-code-value-quantity=st$20||mm", "code=gap", "status=final"):
        assert found(store, f"{asked}&_count=1000") == everything
    assert found(store, "value-quantity=3.2||cm") == set()
    save(store, observation(2000, code="fresh", valueQuantity=QUANTITY))  # numbers of sets go on
    assert found(store, "code=fresh&value-quantity=31||mm") == {"p-1-o-2000"}
    store.close()
