"""What stored resources are found by, taken from their bodies again: after a step of the schema that adds to it.

Dates stay as they are: they were read in the zone of the site as it was set then.
"""

from collections.abc import Mapping, Sequence
from datetime import UTC
from typing import Any

import orjson
from sqlalchemy import Connection, bindparam, select, tuple_, update

from service.search.parameters import parameters
from service.search.values import index
from service.store.resource_rows import components_text
from service.store.statements import Statement
from service.store.tables import resources, site_clocks
from service.store.token_sets import NewTokenSets, TokenSets

ROWS_AT_ONCE = 500

_r, _clock = resources.c, site_clocks.c
_AGAIN = ("code_set", "token_set", "terms", "value_low", "value_high", "value_unit", "components")
_UPDATE = Statement(
    update(resources)
    .where(_r.site == bindparam("of_site"), _r.type == bindparam("of_type"), _r.arrival == bindparam("of_arrival"))
    .values({name: bindparam(name) for name in _AGAIN})
)


def reindex(connection: Connection) -> None:
    """Take the search values of every stored resource from its body, within the caller's transaction."""
    for site, last in connection.execute(select(_clock.site, _clock.last_token_set)).all():
        known = TokenSets(site)
        known.refresh(connection)
        token_sets = NewTokenSets(known, max(last, known.last))
        rows = _next_rows(connection, site, None)
        while rows:
            _UPDATE.run_each(connection, [_again(site, row, token_sets) for row in rows])
            rows = _next_rows(connection, site, rows[-1])
        token_sets.save(connection, site)
        connection.execute(update(site_clocks).where(_clock.site == site).values(last_token_set=token_sets.last_number))


def _next_rows(connection: Connection, site: str, after: Any) -> Sequence[Any]:
    wanted = select(_r.type, _r.arrival, _r.body).where(_r.site == site, _r.type.in_(sorted(parameters())))
    if after is not None:
        wanted = wanted.where(tuple_(_r.type, _r.arrival) > tuple_(after.type, after.arrival))
    return connection.execute(wanted.order_by(_r.type, _r.arrival).limit(ROWS_AT_ONCE)).all()


def _again(site: str, row: Any, token_sets: NewTokenSets) -> Mapping[str, Any]:
    values = index(orjson.loads(row.body), UTC)
    return {
        "of_site": site,
        "of_type": row.type,
        "of_arrival": row.arrival,
        "code_set": token_sets.number(values.code_set),
        "token_set": token_sets.number(values.token_set),
        "terms": values.terms,
        "value_low": values.value.low,
        "value_high": values.value.high,
        "value_unit": token_sets.number(values.value_unit),
        "components": components_text(values.components, token_sets),
    }
