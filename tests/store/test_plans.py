"""The searches that must stay flat walk an index in its order: no scan of the table, no sorting (SQLite's own plan)."""

import sqlite3

import pytest
from sqlalchemy import event

from service.store import Store
from tests.store.samples import observation, save
from tests.store.test_searching import search


def plans(store: Store, text: str, cursor=None, type_: str = "Observation") -> list[str]:
    """Plan of each statement on resources that a search runs."""
    ran: list[tuple[str, tuple]] = []

    def note(connection, cursor, statement, parameters, context, executemany):
        ran.append((statement, parameters))

    event.listen(store._reader, "before_cursor_execute", note)
    try:
        search(store, type_, text, cursor)
    finally:
        event.remove(store._reader, "before_cursor_execute", note)
    with sqlite3.connect(store._reader.url.database) as connection:
        found = [
            "; ".join(row[3] for row in connection.execute("EXPLAIN QUERY PLAN " + statement, parameters))
            for statement, parameters in ran
            if "FROM resources" in statement
        ]
    connection.close()
    assert found
    return found


STATION = {"code": {"coding": [{"code": "st"}]}, "valueQuantity": {"value": 20, "unit": "mm"}}


@pytest.fixture(params=["with statistics", "without statistics"])
def filled(request, sqlite_store):
    for patient in range(20):
        of_patient = [
            observation(
                number,
                patient=f"p-{patient}",
                code=f"c-{number % 5}",
                at=f"2024-05-{1 + number % 28:02d}",
                valueQuantity={"value": number, "unit": "mm"},
                component=[
                    {"code": {"coding": [{"code": "st"}]}, "valueQuantity": {"value": 2 * number, "unit": "mm"}}
                ],
                derivedFrom=[{"reference": f"Observation/p-{patient}-o-{number - 1}"}],
            )
            for number in range(60)
        ]
        person = {"resourceType": "Patient", "id": f"p-{patient}", "meta": {}, "identifier": [{"value": f"m{patient}"}]}
        save(sqlite_store, person, *of_patient)
    if request.param == "with statistics":
        with sqlite3.connect(sqlite_store._reader.url.database) as connection:
            connection.execute("ANALYZE")
        connection.close()
    return sqlite_store


@pytest.mark.parametrize("sort", ["_sort=date", "_sort=-date", ""])
@pytest.mark.parametrize("date", ["", "&date=ge2024-05-10", "&date=2024-05-10", "&date=lt2024-05-20&date=gt2024-05-02"])
def test_patient_code_and_date_in_the_order_of_the_date_is_one_walk_along_the_index(filled, sort, date):
    first = search(filled, "Observation", f"patient=p-3&code=c-2{date}&{sort}&_count=2")
    for cursor in (None, first.next):
        for plan in plans(filled, f"patient=p-3&code=c-2{date}&{sort}&_count=2", cursor):
            assert "SCAN resources" not in plan
            assert "TEMP B-TREE" not in plan, plan
            assert "resources_by_patient (site=? AND patient=? AND type=? AND code_set=?" in plan or (
                "arrival=?" in plan  # the bodies, by primary key
            ), plan


@pytest.mark.parametrize(
    "text",
    [
        "patient=p-3",
        "patient=p-3&category=exam&date=ge2024-05-10",
        "patient=p-3&status=final",
        "_id=p-3-o-1",
        "identifier=p-3/1",
        "patient=p-3&_lastUpdated=gt2024-05-01",
        "patient=p-3,p-4",
        "derived-from=Observation/p-3-o-1",
        "patient=p-3&value-quantity=gt5||mm",
        "patient=p-3&component-code-value-quantity=st$gt5||mm",
        "patient=p-3&code:not=c-1",
        "patient=p-3&device:missing=true",
        "patient.identifier=m3",
    ],
)
def test_narrow_searches_read_no_type_from_end_to_end(filled, text):
    for sort in ("", "&_sort=_lastUpdated", "&_sort=-_id", "&_sort=date"):
        for plan in plans(filled, text + "&_count=5" + sort):
            assert "SCAN resources" not in plan, plan
            assert "(site=? AND type=?)" not in plan, plan


def test_polling_by_last_updated_is_one_walk_along_the_index(filled):
    for plan in plans(filled, "_lastUpdated=gt2024-05-01&_sort=_lastUpdated&_count=5&_total=none"):
        assert "TEMP B-TREE" not in plan
        assert "resources_by_change (site=? AND type=? AND last_updated>?" in plan or "arrival=?" in plan


def test_a_page_of_a_whole_type_is_read_in_its_order(filled):
    for plan in plans(filled, "_count=5&_total=none"):
        assert "TEMP B-TREE" not in plan, plan


def test_patient_code_and_number_is_one_walk_along_the_index(filled):
    for name in ("code-value-quantity=c-2$gt5||mm", "component-code-value-quantity=st$gt5||mm&code=c-2"):
        for plan in plans(filled, f"patient=p-3&{name}&_sort=-date&_count=2&_total=none"):
            assert "SCAN resources" not in plan
            assert "(site=? AND patient=? AND type=?" in plan or "arrival=?" in plan, plan


@pytest.mark.parametrize(
    ("text", "type_"),
    [
        ("patient=p-3&_include=Observation:patient&_include=Observation:derived-from", "Observation"),
        ("patient=p-3&_revinclude=Observation:derived-from", "Observation"),
        ("patient=p-3&_revinclude=Provenance:target", "Observation"),
        ("_id=p-3&_revinclude=Observation:patient", "Patient"),
    ],
)
def test_what_travels_beside_the_matches_is_looked_up_by_id_or_by_patient(filled, text, type_):
    for plan in plans(filled, text + "&_count=5", type_=type_):
        assert "SCAN resources" not in plan, plan
        assert "(site=? AND type=?)" not in plan, plan
