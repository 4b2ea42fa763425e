"""Reading what is surely right: a record of the clinic from JSON, by the types and marks of its members.

A reader is made for a class when it is first asked for. It raises for everything else, without saying what is wrong:
what it refuses goes to `service.intake.models`, which judges alone whether it is refused and names every fault. So this
module can only be slower than that one, never more lenient.
"""

from collections.abc import Callable
from datetime import date, datetime
from decimal import Decimal
from functools import cache
from typing import Annotated, Any, Literal, get_args, get_origin

from msgspec import Struct
from msgspec.structs import fields

from service.clinic.values import Between, NotRead, Rows, UpTo, read_day, read_time

Reader = Callable[[Any], Any]
REFUSALS = (ValueError, KeyError, TypeError, ArithmeticError)  # a comparison with NaN is an ArithmeticError
LONGEST_TEXT = 4096  # of a text without a bound of its own, such as an id


def surely(record: type[Struct], sent: Any) -> Any:
    """The record, or None where that is not sure."""
    try:
        return reader_of(record)(sent)
    except REFUSALS:
        return None


@cache
def reader_of(record: type[Struct]) -> Reader:
    """The reader of a JSON object."""
    members = fields(record)
    readers = {member.name: _reader(member.type) for member in members}
    required = frozenset(member.name for member in members if member.required)

    def read(sent: Any) -> Any:
        if type(sent) is not dict or not sent.keys() >= required:
            raise _unsure()
        return record(**{name: readers[name](value) for name, value in sent.items()})

    return read


def _unsure() -> NotRead:
    return NotRead("unsure", "is not surely right")


def _reader(annotation: Any) -> Reader:
    if get_origin(annotation) is Annotated:
        plain, *marks = get_args(annotation)
        return _marked(plain, {type(mark): mark for mark in marks}, [mark for mark in marks if callable(mark)])
    alternatives = [one for one in get_args(annotation) if one is not type(None)]
    if get_origin(annotation) is Literal:
        return _one_of(frozenset(alternatives))
    if alternatives:  # None stands for an absent member; null is no value
        return _reader(alternatives[0]) if len(alternatives) == 1 else _by_kind(alternatives)
    if issubclass(annotation, Struct):
        return reader_of(annotation)
    return {datetime: read_time, date: read_day, bool: _truth}[annotation]


def _marked(plain: Any, marks: dict[type, Any], accept: list[Reader]) -> Reader:
    if plain is str:
        return _text(accept[0], marks[UpTo].longest if UpTo in marks else LONGEST_TEXT)
    if get_origin(plain) is list:
        return _rows(_reader(get_args(plain)[0]), marks[Rows])
    return {Decimal: _number, int: _whole}[plain](marks[Between])


def _one_of(words: frozenset[str]) -> Reader:
    def read(sent: Any) -> str:
        if type(sent) is str and sent in words:
            return sent
        raise _unsure()

    return read


def _by_kind(records: list[Any]) -> Reader:
    readers = {get_args(record.__annotations__["kind"])[0]: reader_of(record) for record in records}
    return lambda sent: readers[sent["kind"]](sent)


def _truth(sent: Any) -> bool:
    if sent is True or sent is False:
        return bool(sent)
    raise _unsure()


def _text(accept: Reader, longest: int) -> Reader:
    def read(sent: Any) -> str:
        if type(sent) is not str or not 0 < len(sent) <= longest:
            raise _unsure()
        sent.encode()  # half of a surrogate pair is no text
        accept(sent)
        return sent

    return read


def _rows(reader: Reader, bounds: Rows) -> Reader:
    least, most = bounds.least, bounds.most

    def read(sent: Any) -> list[Any]:
        if type(sent) is list and least <= len(sent) and (most is None or len(sent) <= most):
            return [reader(one) for one in sent]
        raise _unsure()

    return read


def _number(bounds: Between) -> Reader:
    low, high = Decimal(bounds.low), Decimal(bounds.high)

    def read(sent: Any) -> Decimal:
        number = sent if type(sent) is Decimal else Decimal(sent) if type(sent) is int else None
        if number is not None and low <= number <= high:
            return number
        raise _unsure()

    return read


def _whole(bounds: Between) -> Reader:
    low, high = bounds.low, bounds.high

    def read(sent: Any) -> int:
        if type(sent) is Decimal and low <= sent <= high and sent == sent.to_integral_value():
            return int(sent)
        if type(sent) is int and low <= sent <= high:
            return sent
        raise _unsure()

    return read
