"""Words, figures and times as people read them."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest

from service.clinic.entries import Check, Outcome, Removal, SkinSign
from service.intake.models import model_of
from service.report.course_lines import bands_named
from service.report.labels import Local, away, figure, label, percent, reading, rounded
from service.report.sparkline import sparkline


@pytest.mark.parametrize(
    ("name", "value", "shown"),
    [
        ("stretch_ratio", Decimal("1.8335"), "1.834"),
        ("stretch_ratio", Decimal("1.8345"), "1.834"),  # half to even
        ("draw_mm", Decimal("-0.04"), "0.0 mm"),
        ("draw_mm", Decimal("-2.25"), "-2.2 mm"),
        ("open_area_cm2", 71.35, "71.4 cm²"),
        ("closure_rate_mm_per_day", 0.05, "0.0 mm/day"),
        ("perfusion_difference_mmhg", Decimal(54), "54 mmHg"),
        ("stretch_ratio", None, "–"),
    ],
)
def test_a_figure_is_rounded_half_even_to_the_places_of_its_unit(name, value, shown):
    assert figure(name, value) == shown


def test_a_reading_keeps_its_digits():
    assert reading(Decimal("20.0")) == "20.0 mm"
    assert reading(Decimal("1E+2")) == "100 mm"


def test_fractions_are_shown_in_per_cent():
    assert percent(Decimal("0.7705")) == "77 %"
    assert percent(Decimal("-0.001")) == "0 %"
    assert percent(None) == "–"


def test_times_are_shown_in_the_zone_of_the_site_with_its_name():
    """Offsets of the tz database: Vienna +02:00 in July; Kathmandu +05:45, which has no letters."""
    at = datetime(2026, 7, 1, 22, 30, tzinfo=UTC)
    assert Local(ZoneInfo("Europe/Vienna")).at(at) == "Thu 2 Jul 2026, 00:30 CEST"
    assert Local(ZoneInfo("Asia/Kathmandu")).at(at) == "Thu 2 Jul 2026, 04:15 UTC+05:45"
    assert Local(ZoneInfo("UTC")).short("2026-07-01T22:30:00+00:00") == "1 Jul, 22:30"


def test_a_time_before_the_calendar_of_the_zone_is_shown_as_charted():
    first = datetime(1, 1, 1, tzinfo=UTC)
    assert "00:00 UTC" in Local(ZoneInfo("America/New_York")).at(first)


def test_how_long_until_then_or_since():
    assert away(timedelta(minutes=200)) == "in 3 h 20 min"
    assert away(timedelta(days=-2, hours=-4)) == "2 d 4 h ago"
    assert away(timedelta(0)) == "in 0 min"


def test_every_word_of_the_contract_is_readable():
    words = [*SkinSign.__args__, *model_of(Outcome).model_fields["result"].annotation.__args__]
    words += [
        *model_of(Check).model_fields["device_status"].annotation.__args__,
        *model_of(Removal).model_fields["reason"].annotation.__args__,
    ]
    for word in words:
        assert "-" not in label(word)
        assert label(word)


def test_a_sparkline_is_as_long_as_its_readings_and_falls_with_them():
    assert sparkline([Decimal(60), Decimal(30), Decimal(0)]) == "█▅▁"
    assert sparkline([Decimal(0)]) == "▁"
    assert sparkline([]) == ""


def test_rounding_never_shows_a_negative_zero():
    assert rounded("draw_mm", Decimal("-0.01")) == "0.0"


def test_a_sentence_of_the_record_is_told_with_its_instants_in_the_zone_of_the_site():
    local = Local(ZoneInfo("Europe/Vienna"))
    assert local.told("due at 2025-03-06T07:00:00+00:00 (x)") == "due at Thu 6 Mar 2025, 08:00 CET (x)"
    assert local.told("at 2025-07-06T07:00:00.5Z, so") == "at Sun 6 Jul 2025, 09:00 CEST, so"
    for other in ("2025-13-41T07:00:00Z", "2025-03-06", "stretch 1.45", ""):
        assert local.told(other) == other


@pytest.mark.parametrize(("bands", "named"), [((2,), "band 2"), ((1, 3), "bands 1, 3")])
def test_bands_are_named_in_the_number_they_are(bands, named):
    assert bands_named(bands) == named
