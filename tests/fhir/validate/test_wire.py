from datetime import datetime
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fhir import wire
from service.fhir.validate import check_bytes
from tests.fhir.validate.samples import observation


@pytest.mark.parametrize("digits", ["31.0", "31", "0.00", "12.50", "-0.10", "140.0", "100000000000000000.5"])
def test_a_decimal_keeps_the_digits_it_was_written_with(digits):
    # json.html#decimal: the precision of the decimal value has significance
    raw = f'{{"resourceType":"Observation","x":{digits}}}'.encode()
    assert wire.write(wire.read(raw)) == raw


@given(st.decimals(allow_nan=False, allow_infinity=False, min_value=-(10**20), max_value=10**20))
def test_every_decimal_written_is_read_back_with_equal_digits(number):
    back = wire.read(wire.write({"x": number}))["x"]
    assert Decimal(back) == number


def test_an_exponent_is_written_out():
    assert wire.write({"x": Decimal("1E+3"), "y": Decimal("1.5E-7")}) == b'{"x":1000,"y":0.00000015}'


def test_keys_stay_in_their_order():
    assert wire.write({"b": 1, "a": {"d": 1, "c": 2}}) == b'{"b":1,"a":{"d":1,"c":2}}'


@pytest.mark.parametrize("value", [Decimal("NaN"), Decimal("-Infinity"), datetime(2024, 3, 1), {1}, b"x"])
def test_what_json_cannot_hold_is_not_written(value):
    with pytest.raises(TypeError):
        wire.write({"x": value})


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"[]",
        b'"Observation"',
        b"{",
        b'{"a":NaN}',
        b'{"a":Infinity}',
        b'{"a":1e999999999}',
        b'{"a":01}',
        b'{"a":+1}',
        b"{'a':1}",
        b'{"a":1,}',
        b'{"a":"\xff"}',
        b'{"a":"\\ud800"}',
        b'{"\\udc00":1}',
        b'\xef\xbb\xbf{"a":1}',
        b'{"a":' + b"1" * 2000 + b"}",
        b'{"a":' * 40 + b"1" + b"}" * 40,
        b"[" * 200_000,
        b'{"a":1}{"b":2}',
    ],
)
def test_bytes_that_two_readers_might_read_differently_are_refused(raw):
    with pytest.raises(wire.Unreadable) as refusal:
        wire.read(raw)
    assert refusal.value.issues
    assert all(issue.severity == "error" and issue.layer == "bytes" for issue in refusal.value.issues)
    assert check_bytes(raw) == refusal.value.issues


def test_every_repeated_key_is_named_with_its_path():
    raw = b'{"resourceType":"Observation","status":"final","status":"final","component":[{"code":{},"code":{}}]}'
    with pytest.raises(wire.Unreadable) as refusal:
        wire.read(raw)
    assert [issue.expression for issue in refusal.value.issues] == [
        "Observation.status",
        "Observation.component[0].code",
    ]


def test_the_limits_of_size_and_depth_are_those_asked_for():
    raw = wire.write(observation())
    assert wire.read(raw, max_bytes=len(raw))
    with pytest.raises(wire.Unreadable) as refusal:
        wire.read(raw, max_bytes=len(raw) - 1)
    assert refusal.value.issues[0].code == "too-long"
    assert wire.read(b'{"a":{"b":1}}', max_depth=2)
    with pytest.raises(wire.Unreadable):
        wire.read(b'{"a":{"b":1}}', max_depth=1)
