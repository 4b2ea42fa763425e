"""What fills the stores of the bench is what the service would have stored, as far as searches and writes can tell."""

from collections.abc import Iterator
from itertools import pairwise

import orjson
import pytest
from sqlalchemy import create_engine, select
from sqlalchemy.pool import NullPool

from service.store.tables import resources
from tests.bench.growth import gap_widths
from tests.bench.readings import NOW, Ward, as_read
from tests.bench.stores import Store, store_on

COURSES = 23  # more than are open at a time


@pytest.fixture
def filled(database_url: str) -> Iterator[Store]:
    """A store with casts of its one course, on each engine."""
    with store_on(database_url, checks=3) as store:
        store.filling.fill(COURSES * len(store.filling.mold))
        yield store


def _rows(store: Store, *columns: str) -> list[tuple[object, ...]]:
    engine = create_engine(store.database_url.replace("postgresql://", "postgresql+psycopg://"), poolclass=NullPool)
    with engine.connect() as connection:
        asked = select(*(resources.c[name] for name in columns)).order_by(resources.c.arrival)
        return [tuple(row) for row in connection.execute(asked)]


@pytest.mark.slow
def test_every_patient_of_a_filled_store_is_found_with_as_many_gap_widths_of_his_own(filled: Store) -> None:
    filling = filled.filling
    recorded = len(gap_widths(filled.workflow, filling.mold.patient(0)).rows)
    assert filling.casts == COURSES - 1
    for cast in range(COURSES):
        page = gap_widths(filled.workflow, filling.mold.patient(cast))
        found = [orjson.loads(row.body or b"null") for row in page.rows]
        assert len(found) == recorded
        assert {each["subject"]["reference"] for each in found} == {f"Patient/{filling.mold.patient(cast)}"}


@pytest.mark.slow
def test_the_rows_are_numbered_as_the_store_numbers_them_and_say_in_their_bodies_who_they_are(filled: Store) -> None:
    rows = _rows(filled, "arrival", "type", "id", "body")
    assert [row[0] for row in rows] == list(range(1, len(rows) + 1))
    for _, type_, id_, body in rows:
        assert isinstance(body, bytes)
        assert body.startswith(f'{{"resourceType":"{type_}","id":"{id_}"'.encode())


@pytest.mark.slow
def test_the_writes_of_courses_that_are_open_together_come_in_turns(filled: Store) -> None:
    patients = [row[0] for row in _rows(filled, "patient")]
    turns = sum(before != after for before, after in pairwise(patients))
    assert turns > 4 * COURSES  # one course after the other would be as many turns as courses


@pytest.mark.slow
def test_a_filled_store_takes_further_readings(filled: Store) -> None:
    ward = Ward("after")
    filled.workflow.record_course(as_read(ward.document(0)), NOW)
    assert filled.workflow.record_entries("after", as_read(ward.check(0)), NOW).changed
