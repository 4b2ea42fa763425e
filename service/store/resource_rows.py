"""A resource as its row in the table: what it is found by, in the columns of `tables.resources`."""

from collections.abc import Sequence
from typing import Any

import orjson

from service.search.values import ComponentNumber, Identifier
from service.store.rows import Draft
from service.store.token_sets import NewTokenSets


def resource_row(site: str, draft: Draft, token_sets: NewTokenSets, **of_write: Any) -> dict[str, Any]:
    """The whole row; `of_write` are the columns that the write gives: version, place, digest and body."""
    values, number = draft.values, token_sets.number
    return {
        "site": site,
        "type": draft.type,
        "id": draft.id,
        "patient": draft.patient or values.patient or "",
        "code_set": number(values.code_set),
        "token_set": number(values.token_set),
        "date_low": values.date.low,
        "date_high": values.date.high,
        "other_date_low": values.other_date.low,
        "other_date_high": values.other_date.high,
        "value_low": values.value.low,
        "value_high": values.value.high,
        "value_unit": number(values.value_unit),
        "components": components_text(values.components, token_sets),
        "course_id": draft.course_id,
        "entry_id": draft.entry_id,
        "terms": values.terms,
        **of_write,
    }


def components_text(components: Sequence[ComponentNumber], token_sets: NewTokenSets) -> str:
    """The numbers of a resource's components as the column has them."""
    if not components:
        return "[]"
    number = token_sets.number
    return orjson.dumps([(number(codes), number(unit), *at) for codes, unit, at in components]).decode()


def identifiers_of(body: bytes) -> set[Identifier]:
    """Business identifiers in a stored body, as the index has them."""
    given = orjson.loads(body).get("identifier", [])
    return {(each.get("system", ""), each["value"]) for each in (given if isinstance(given, list) else [given])
            if "value" in each}  # fmt: skip
