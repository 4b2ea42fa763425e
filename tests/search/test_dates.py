"""Rows 41 to 43: dates as ranges (https://hl7.org/fhir/R4/search.html#date, #prefix).

Expected values are worked out by hand from the page's table unless said otherwise; the properties compare with an
evaluation over single instants.
"""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.search.dates import (
    NO_DATE,
    OPEN_HIGH,
    OPEN_LOW,
    DateBound,
    DateRange,
    date_bound,
    date_range,
    instant,
    microseconds,
)

BERLIN = ZoneInfo("Europe/Berlin")
NOW = datetime(2024, 6, 1, tzinfo=UTC)
PREFIXES = ("eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap")


def at(text: str) -> int:
    return microseconds(datetime.fromisoformat(text))


def holds(search: str, target: str | DateRange) -> bool:
    found = target if isinstance(target, DateRange) else date_range(target, UTC)
    return date_bound(search, UTC, NOW).holds(found)


def test_row_41_the_width_of_a_date_is_its_precision():
    widths = {
        "2023": timedelta(days=365),
        "2024": timedelta(days=366),
        "2024-02": timedelta(days=29),
        "2024-02-29": timedelta(days=1),
        "2024-02-29T10:00Z": timedelta(minutes=1),
        "2024-02-29T10:00:00Z": timedelta(seconds=1),
        "2024-02-29T10:00:00.5Z": timedelta(milliseconds=100),
        "2024-02-29T10:00:00.123Z": timedelta(milliseconds=1),
        "2024-02-29T10:00:00.123456Z": timedelta(microseconds=1),
        "2024-02-29T10:00:00.123456789Z": timedelta(microseconds=1),
    }
    for text, width in widths.items():
        low, high = date_range(text, UTC)
        assert high - low == width / timedelta(microseconds=1), text


@pytest.mark.parametrize(
    ("search", "target", "expected"),
    [
        # the page's own examples (search.html#date, "date=[prefix]...")
        ("eq2013-01-14", "2013-01-14T00:00:00Z", True),
        ("eq2013-01-14", "2013-01-14T10:00:00Z", True),
        ("eq2013-01-14", "2013-01-15T00:00:00Z", False),
        ("ne2013-01-14", "2013-01-15T00:00:00Z", True),
        ("ne2013-01-14", "2013-01-14T00:00:00Z", False),
        ("ne2013-01-14", "2013-01-14T10:00:00Z", False),
        ("lt2013-01-14T10:00Z", "2013-01-14", True),  # the day reaches below ten o'clock
        ("gt2013-01-14T10:00Z", "2013-01-14", True),  # and above
        ("ge2013-03-14", DateRange(at("2013-03-14T00:00:00+00:00"), OPEN_HIGH), True),
        ("le2013-03-14", DateRange(OPEN_LOW, at("2013-03-15T00:00:00+00:00")), True),
        ("sa2013-03-14", DateRange(at("2013-03-15T00:00:00+00:00"), at("2013-03-16T00:00:00+00:00")), True),
        ("sa2013-03-14", "2013-03-14", False),
        ("sa2013-03-14", DateRange(at("2013-03-14T12:00:00+00:00"), OPEN_HIGH), False),  # begins within the day
        ("eb2013-03-14", "2013-03-13", True),
        ("eb2013-03-14", DateRange(OPEN_LOW, at("2013-03-14T12:00:00+00:00")), False),
        # precision on both sides
        ("2024-05", "2024-05-01", True),
        ("2024-05-01", "2024-05", False),  # the month is not within the day
        ("gt2024-05-01", "2024-05-01T23:59:59Z", False),
        ("gt2024-05-01", "2024-05-02T00:00:00Z", True),
        ("ge2024-05-01", "2024-05-01T23:59:59Z", True),
        ("le2024-05-01", "2024-05-01T23:59:59Z", True),
        ("lt2024-05-01", "2024-04-30T23:59:59.999Z", True),
        ("lt2024-05-01", "2024-05-01T00:00:00Z", False),
        # now is 2024-06-01: a tenth of 31 days on both sides of 2024-05-01 is three days and more
        ("ap2024-05-01", "2024-05-04", True),
        ("ap2024-05-01", "2024-05-06", False),
        ("ap2024-05-01", "2024-04-28", True),
        ("ap2024-06-01", "2024-06-02", False),  # today: nothing to widen by
    ],
)
def test_row_41_prefixes(search, target, expected):
    assert holds(search, target) is expected


def test_row_42_an_open_period_reaches_to_infinity():
    since_march = DateRange(at("2024-03-01T00:00:00+00:00"), OPEN_HIGH)
    until_march = DateRange(OPEN_LOW, at("2024-03-01T00:00:00+00:00"))
    assert holds("gt9999", since_march)
    assert holds("lt0001", until_march)
    assert not holds("eq2024", since_march)
    assert not holds("eq2024", until_march)


def test_a_resource_without_the_date_matches_no_prefix():
    for prefix in PREFIXES:
        assert not holds(f"{prefix}2024", DateRange(NO_DATE, NO_DATE))


@pytest.mark.parametrize(
    "text",
    [
        "2015-02-07T13Z",  # hours without minutes: row 43
        "2015-02-07T",
        "2015-02-07T24:00Z",
        "2015-02-30",  # FHIR's expression admits it, the calendar does not
        "2015-13",
        "2015-1-5",
        "0000",
        "2015-02-07T13:28:17+14:30",
        "2015-02-07 13:28:17Z",
        "2015-02-07T13:28:17z",
        "20150207",
        "14:35:00",
        "2023-02-29",
        "٢٠٢٤",  # digits of another script
        "ge",
        "",
        "xx2024",
    ],
)
def test_what_is_no_date_is_refused(text):
    # Source of most cases: datatypes of FHIR R4 (https://hl7.org/fhir/R4/datatypes.html), dateTime.
    with pytest.raises(ValueError, match=r"no|date|month|day|year|range"):
        date_bound(text, UTC, NOW)


@pytest.mark.parametrize("text", ["2015-02-07T13:28:17", "2015-02-07T13:28Z", "2016-12-31T23:59:60Z"])
def test_row_43_seconds_and_zone_may_be_left_out_of_a_parameter(text):
    low, high = date_range(text, UTC)
    assert low < high


def test_row_43_a_leap_second_is_the_second_after_the_minute():
    assert date_range("2016-12-31T23:59:60Z", UTC).low == at("2017-01-01T00:00:00+00:00")


def test_row_43_a_plus_sign_that_arrives_as_a_blank_is_a_plus_sign():
    assert date_bound("ge2024-05-01T10:00:00 02:00", UTC, NOW).low == at("2024-05-01T08:00:00+00:00")


def test_row_43_without_an_offset_the_zone_of_the_server_counts():
    assert date_range("2024-01-15", BERLIN) == (at("2024-01-14T23:00:00+00:00"), at("2024-01-15T23:00:00+00:00"))
    assert date_range("2024-07-15T10:00", BERLIN).low == at("2024-07-15T08:00:00+00:00")
    assert date_range("2024-07-15T10:00Z", BERLIN).low == at("2024-07-15T10:00:00+00:00")


# Changes of the clocks, from the tz database: Berlin 2024-03-31 02:00 to 03:00 and 2024-10-27 03:00 to 02:00;
# Havana 2024-11-03 01:00 to 00:00; Lord Howe 2024-04-07 by half an hour.
def test_the_days_on_which_the_clocks_change_have_23_and_25_hours():
    hour = 3_600_000_000
    short, long = date_range("2024-03-31", BERLIN), date_range("2024-10-27", BERLIN)
    assert (short.high - short.low, long.high - long.low) == (23 * hour, 25 * hour)
    lord_howe = date_range("2024-04-07", ZoneInfo("Australia/Lord_Howe"))
    assert lord_howe.high - lord_howe.low == 24 * hour + hour // 2


def test_a_reading_just_after_midnight_is_of_its_local_day():
    reading = date_range("2024-10-27T00:10:00+02:00", BERLIN)
    assert date_bound("2024-10-27", BERLIN, NOW).holds(reading)
    assert not date_bound("2024-10-26", BERLIN, NOW).holds(reading)
    assert not date_bound("2024-10-27", UTC, NOW).holds(reading)


def test_a_local_time_that_happens_twice_stands_for_both():
    low, high = date_range("2024-10-27T02:30", BERLIN)
    assert low == at("2024-10-27T00:30:00+00:00")
    assert high == at("2024-10-27T01:31:00+00:00")


def test_a_local_time_that_never_was_is_read_with_the_offset_before_the_change():
    assert date_range("2024-03-31T02:30", BERLIN) == (at("2024-03-31T01:30:00+00:00"), at("2024-03-31T01:31:00+00:00"))


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/Havana", "Africa/Cairo", "Asia/Kathmandu", "Pacific/Apia"])
def test_days_follow_one_another_without_gap_or_overlap(zone):
    place = ZoneInfo(zone)
    day = datetime(2011, 12, 1)  # Apia had no 30 December 2011
    end = None
    for _ in range(500):
        low, high = date_range(day.date().isoformat(), place)
        assert end is None or low == end
        end, day = high, day + timedelta(days=1)


def test_the_ends_of_the_calendar_have_a_range():
    assert date_range("0001", BERLIN).low == at("0001-01-01T00:00:00+00:00")
    low, high = date_range("9999-12-31", BERLIN)
    assert high - low in {86_400_000_000, 90_000_000_000}  # the first instant is local, the last one of UTC


def test_an_instant_is_written_in_utc_with_milliseconds():
    assert instant(at("2024-02-29T10:00:00.123000+02:00")) == "2024-02-29T08:00:00.123Z"


# Ranges over a small line of instants, evaluated instant by instant, the way the page describes each prefix in words.
points = st.integers(min_value=0, max_value=12)
ranges = st.tuples(points, points).filter(lambda pair: pair[0] < pair[1]).map(lambda pair: DateRange(*pair))


def in_words(prefix: str, search: DateRange, target: DateRange) -> bool:
    line = range(-20, 40)
    of_search = {point for point in line if search.low <= point < search.high}
    of_target = {point for point in line if target.low <= point < target.high}
    above = {point for point in line if point >= search.high}
    below = {point for point in line if point < search.low}
    contained = of_target <= of_search
    match prefix:
        case "eq":
            return contained
        case "ne":
            return not contained
        case "gt":
            return bool(above & of_target)
        case "lt":
            return bool(below & of_target)
        case "ge":
            return bool(above & of_target) or contained
        case "le":
            return bool(below & of_target) or contained
        case "sa":
            return not of_search & of_target and of_target <= above
        case "eb":
            return not of_search & of_target and of_target <= below
        case _:
            return bool(of_search & of_target)


@given(st.sampled_from(PREFIXES), ranges, ranges)
def test_row_41_each_prefix_is_what_the_page_says_in_words(prefix, search, target):
    assert DateBound(prefix, *search).holds(target) is in_words(prefix, search, target)


@given(
    st.datetimes(min_value=datetime(1900, 1, 1), max_value=datetime(2100, 1, 1)),
    st.sampled_from(["Z", "+05:45", "-11:00"]),
)
def test_a_written_time_is_the_instant_it_was(local, offset):
    text = local.isoformat(timespec="microseconds") + offset
    assert date_range(text, BERLIN).low == at(text.replace("Z", "+00:00"))
