"""The records of the clinic as pydantic models, made of the same types and marks: they name every fault of a document,
and give the JSON Schema of the contract.

Only what `service.intake.sure` does not read comes here, so that a document in order does not wait for the library.
"""

import functools
from collections.abc import Callable
from datetime import date, datetime
from decimal import Decimal
from types import NoneType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from msgspec import Struct
from msgspec.structs import fields
from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Discriminator, Field, create_model
from pydantic_core import PydanticCustomError

from service.clinic.values import (
    Between,
    NotRead,
    Rows,
    UpTo,
    absolute_uri,
    id_text,
    plain_text,
    read_day,
    read_integer,
    read_number,
    read_time,
)

CONFIG = ConfigDict(extra="forbid", frozen=True, defer_build=True)
READS: dict[Any, Callable[[Any], Any]] = {
    Decimal: read_number,
    int: read_integer,
    datetime: read_time,
    date: read_day,
}
# `\z` is the library's own; in JSON Schema, whose patterns are those of ECMAScript, the end of a text is `$`.
_ID_IN_SCHEMA: dict[str, Any] = {"pattern": r"^[A-Za-z0-9\-.]{1,64}$"}


def _in_the_librarys_words(read: Callable[[Any], Any]) -> Callable[[Any], Any]:
    def reads(value: Any) -> Any:
        try:
            return read(value)
        except NotRead as fault:
            raise PydanticCustomError(fault.sort, str(fault)) from fault

    return reads


def _people_text(longest: int | None) -> list[Any]:
    bound = [] if longest is None else [Field(max_length=longest)]
    return [Field(strict=True, min_length=1), AfterValidator(_in_the_librarys_words(plain_text)), *bound]


def _uri(longest: int | None) -> list[Any]:
    bounds = Field(strict=True, min_length=1, max_length=longest)
    return [bounds, AfterValidator(_in_the_librarys_words(absolute_uri))]


def _id(_: int | None) -> list[Any]:
    return [Field(strict=True, pattern=r"^[A-Za-z0-9\-.]{1,64}\z", json_schema_extra=_ID_IN_SCHEMA)]


TEXTS = {plain_text: _people_text, absolute_uri: _uri, id_text: _id}
_records: dict[type[BaseModel], type[Struct]] = {}


@functools.cache
def model_of(record: type[Struct]) -> type[BaseModel]:
    """The model of a record: its name, its words, the same members in their order."""
    members: dict[str, Any] = {
        member.name: (_annotation(member.type), ... if member.required else member.default) for member in fields(record)
    }
    model: type[BaseModel] = create_model(record.__name__, __config__=CONFIG, __doc__=record.__doc__, **members)
    _records[model] = record
    return model


def record_of(value: Any) -> Any:
    """The record that an instance of its model says; of a list, the records; any other value as it is."""
    if isinstance(value, list):
        return [record_of(one) for one in value]
    if not isinstance(value, BaseModel):
        return value
    return _records[type(value)](**{name: record_of(member) for name, member in value})


def _annotation(annotation: Any) -> Any:
    origin, parts = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return _marked(*parts)
    if origin is Literal:
        return annotation
    if parts:
        return _alternatives([one for one in parts if one is not NoneType], NoneType in parts)
    if issubclass(annotation, Struct):
        return model_of(annotation)
    mark = Field(strict=True) if annotation is bool else BeforeValidator(_in_the_librarys_words(READS[annotation]))
    return Annotated[annotation, mark]


def _alternatives(parts: list[Any], may_be_absent: bool) -> Any:
    if len(parts) == 1:
        found = _annotation(parts[0])
    else:
        found = Annotated[Union[tuple(map(model_of, parts))], Discriminator("kind")]  # noqa: UP007  # parts are a list
    return found | None if may_be_absent else found


def _marked(plain: Any, *marks: Any) -> Any:
    by_type = {type(mark): mark for mark in marks}
    if plain is str:
        (check,) = (mark for mark in marks if callable(mark))
        return _with(str, TEXTS[check](by_type[UpTo].longest if UpTo in by_type else None))
    if get_origin(plain) is list:
        rows = by_type[Rows]
        return Annotated[list[_annotation(get_args(plain)[0])], Field(min_length=rows.least, max_length=rows.most)]  # type: ignore[misc]  # made while running
    bounds = by_type[Between]
    return _with(plain, [BeforeValidator(_in_the_librarys_words(READS[plain])), Field(ge=bounds.low, le=bounds.high)])


def _with(plain: Any, marks: list[Any]) -> Any:
    return Annotated[(plain, *marks)]
