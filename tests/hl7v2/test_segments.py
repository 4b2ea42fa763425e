"""Escapes and times; what python-hl7 makes of them, and the delimiters that must never be written by a reading."""

import hl7
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.hl7v2.segments import components, escaped, lines_of, message, moment, segment


@given(st.text(st.characters(exclude_categories=["Cs", "Cc"])))
def test_any_text_without_control_characters_comes_back_from_another_parser(text):
    raw = message(["MSH|^~\\&|A", segment("NTE", {1: "1", 3: f"x{escaped(text)}x"})]).decode()
    parsed = hl7.parse(raw)
    assert parsed.unescape(str(parsed.segment("NTE")[3])) == f"x{text}x"


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_escaped_text_holds_no_delimiter_and_no_byte_that_frames(text):
    written = escaped(text)
    assert not set(written) & set("|^~&\r\n\x0b\x1c")
    assert written.count("\\") % 2 == 0


def test_control_characters_are_written_in_hexadecimal():
    assert escaped("a\tb\x0bc\x85") == "a\\X09\\b\\X0B\\c\\XC285\\"


def test_the_five_delimiters_have_the_escapes_of_the_standard():
    # HL7 v2.5.1 chapter 2.7.1; from memory
    assert escaped("|^&~\\") == "\\F\\\\S\\\\T\\\\R\\\\E\\"


def test_every_kind_of_line_break_begins_another_line():
    assert lines_of("a\r\nb\nc\rd") == ["a", "b", "c", "d"]


def test_empty_components_and_fields_at_the_end_are_left_out():
    assert components("a", "", "b", "", "") == "a^^b"
    assert segment("PV1", {1: "1", 19: ""}) == "PV1|1"


@pytest.mark.parametrize(
    ("fhir", "v2"),
    [
        ("2025-03-30T02:59:59+01:00", "20250330025959+0100"),
        ("2025-03-30T03:00:00+02:00", "20250330030000+0200"),
        ("2025-03-30T01:00:00Z", "20250330010000+0000"),
        ("2025-03-30T01:00:00.123456-03:30", "20250330010000.1234-0330"),
        ("1988", "1988"),
        ("1988-04", "198804"),
        ("1988-04-17", "19880417"),
    ],
)
def test_times_keep_precision_and_zone(fhir, v2):
    assert moment(fhir) == v2


@pytest.mark.parametrize("text", ["", "88-04-17", "2025-03-30T01:00", "2025-03-30T01:00:00", "tomorrow"])
def test_what_is_no_time_is_refused(text):
    with pytest.raises(ValueError, match="no date or time"):
        moment(text)
