"""Letting go of stored bodies that are not what was saved, so that the next saving mends body and index alike."""

import pytest
from sqlalchemy import text

from service.store.repairing import distrust
from tests.store.samples import SITE, draft, later, observation, save
from tests.store.test_searching import found

KEY = ("Observation", "p-1-o-1")
IDENTIFIER = "identifier=p-1/1"


def spoil(store, body: bytes) -> None:
    """Another body under the resource's row; the index of identifiers stays as it was."""
    with store._writer.begin() as connection:
        connection.execute(text("UPDATE resources SET body = :b WHERE id = 'p-1-o-1'"), {"b": body})


@pytest.mark.parametrize(
    ("body", "unreadable"),
    [
        (b'{"resourceType":"Observation","id":"p-1-o-1","meta":{"versionId":"1"}}', False),
        (b'{"resourceType":"Observation","identifier":[{"system":"urn:x","value":"other"}]}', False),
        (b"\x00 no JSON", True),
    ],
)
def test_a_body_that_lost_its_identifiers_is_mended_and_found_by_them_once(store, body, unreadable):
    save(store, observation(1), observation(2))
    spoil(store, body)
    with store.write(SITE, later(1)) as unit:
        distrust(unit, [KEY], [KEY] if unreadable else [])
        (saved,) = unit.save_resources([draft(observation(1))])
    assert (saved.version, saved.changed) == (2, True)
    assert found(store, IDENTIFIER) == {"p-1-o-1"}
    assert found(store, "identifier=other") == set()
    with store.read(SITE) as unit:
        rows = unit.connection.execute(text("SELECT count(*) FROM identifiers")).scalar_one()
        assert rows == 2
