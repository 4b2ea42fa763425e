"""RFC 8259 leaves these cases to the reader; the intake contract refuses them (400, 413)."""

from contextlib import suppress
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service import strict_json


@pytest.mark.parametrize(
    ("document", "why"),
    [
        (b"", "not JSON"),
        (b"\xff{}", "not UTF-8"),
        (b"\xef\xbb\xbf{}", "not JSON"),
        (b'{"a": 1, "a": 2}', "stands twice"),
        (b'{"a": {"b": 1, "b": 1}}', "stands twice"),
        (b"[NaN]", "no JSON number"),
        (b"[-Infinity]", "no JSON number"),
        (b"[1e400]", "too large"),
        (b"[1e99999999999999999999]", "too large"),
        (b"[" + b"9" * 5000 + b"]", "too large"),
        (b"[" * 33 + b"]" * 33, "nested deeper"),
        (b"[" * 200_000, "nested deeper"),
        (b'{"a":' * 33 + b"1" + b"}" * 33, "nested deeper"),
        (b'"\\ud800"', "surrogate"),
        (b'{"\\udc00": 1}', "surrogate"),
        (b'["a\x00b"]', "not JSON"),
        (b"[1,]", "not JSON"),
        (b"[01]", "not JSON"),
        (b"{} {}", "not JSON"),
    ],
)
def test_what_two_readers_could_understand_differently_is_refused(document, why):
    with pytest.raises(strict_json.Unreadable, match=why):
        strict_json.read(document)


def test_a_document_over_the_limit_is_too_large():
    with pytest.raises(strict_json.TooLarge):
        strict_json.read(b'"' + b"a" * strict_json.LARGEST_DOCUMENT + b'"')


def test_nesting_up_to_the_limit_is_read():
    assert strict_json.read(b"[" * 32 + b"]" * 32)


def test_digits_are_kept_as_written():
    assert strict_json.write(strict_json.read(b"[31.0,12.50,0.00,1E+2,7,-3.10]")) == b"[31.0,12.50,0.00,1E+2,7,-3.10]"


def test_equal_numbers_have_one_canonical_spelling():
    spellings = [b'{"a":20,"b":0}', b'{"b":0.00,"a":20.0}', b'{"b":-0.0,"a":2e1}']
    assert len({strict_json.canonical(strict_json.read(text)) for text in spellings}) == 1


@given(st.decimals(allow_nan=False, allow_infinity=False, places=4, min_value=-(10**9), max_value=10**9))
def test_any_decimal_survives_reading_and_writing(number):
    assert strict_json.read(strict_json.write(number)) == number


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(document):
    with suppress(strict_json.Unreadable):
        strict_json.read(document)


def test_a_whole_pair_of_surrogates_is_a_character():
    assert strict_json.read(b'"\\ud83d\\ude00"') == "\N{GRINNING FACE}"


def test_true_is_no_number_and_a_decimal_is_no_float():
    assert isinstance(strict_json.read(b"1.5"), Decimal)
