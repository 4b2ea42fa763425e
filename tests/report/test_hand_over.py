"""The hand-over sheet, read back out of its PDF by another library: what stands on it, and that it can be printed."""

from io import BytesIO

import pytest
from hypothesis import given, settings
from pypdf import PdfReader

from service import strict_json
from service.clinic.caution import CAUTION
from service.report.hand_over import hand_over_sheet
from service.report.labels import figure, isolated
from service.report.printing import BOX, ordered, printable
from tests.random_courses import course_files
from tests.report.stories import EXAMPLES, LONG, example, story_of_document


def text_of(sheet):
    return " ".join(" ".join(page.extract_text().split()) for page in PdfReader(BytesIO(sheet)).pages)


@pytest.fixture(scope="module")
def story():
    return example(entries=13)


@pytest.fixture(scope="module")
def text(story):
    return text_of(hand_over_sheet(story))


def test_it_has_two_pages_in_the_order_of_a_hand_over(story, text):
    assert len(PdfReader(BytesIO(hand_over_sheet(story))).pages) == 2
    places = [
        text.index(head)
        for head in ("Situation", "Background", "Assessment", "What to watch", "Bands, in order of work")
    ]
    assert places == sorted(places)
    assert text.count(CAUTION) == 2


def test_its_figures_are_those_of_the_course_view(story, text):
    for band in story.view["bands"]:
        row = (
            f"{band['band']} {band['station_mm']} mm {band['rest_mark_mm']} mm {band['mark_mm']} mm "
            f"{figure('stretch_ratio', band['stretch_ratio'])} "
        )
        assert row in text
        assert f"{figure('target_mark_mm', band['target_mark_mm'])} {figure('draw_mm', band['draw_mm'])} due" in text
    assert "Widest gap 14 mm at station 90 mm, open area 15.9 cm²" in text
    for item, count in story.view["counts"].items():
        assert f"{item.capitalize()} {count['placed']} {count['removed']} " in text
    for alert in story.view["alerts"]:
        assert story.local.told(alert["text"]) in text
    assert "was due at Thu 6 Mar 2025, 08:00 CET (" in text  # in the zone of the site, not as charted


def test_it_says_when_the_next_reset_is_due_in_the_zone_of_the_site(text):
    assert "Next reset Thu 6 Mar 2025, 08:00 CET (3 h 10 min ago, overdue): planned dressing change;" in text
    assert "bands 1, 2, 3, 4, 5, 6." in text


def test_there_is_room_to_write_the_next_check_and_the_contacts(text):
    for words in ("Date and time", "Gap, mm", "30 mm", "Skin: [ ] intact", "Treating surgeon", "Handed over to"):
        assert words in text


def test_the_same_story_gives_the_same_bytes(story):
    assert hand_over_sheet(story) == hand_over_sheet(example(entries=13))


def test_a_closed_course_has_one_page_and_nothing_to_write_on():
    sheet = hand_over_sheet(example())
    assert len(PdfReader(BytesIO(sheet)).pages) == 1
    assert "next check by hand" not in text_of(sheet)
    assert "Outcome: primary closure." in text_of(sheet)


def test_names_of_any_script_are_printed_and_what_no_font_has_is_a_box():
    sheet = hand_over_sheet(example(entries=6, family="Ωμέγα Şahin", given=["漢字", "<b>&amp;"]))
    text = text_of(sheet)
    assert "Ωμέγα Şahin" in text
    assert "<b>&amp;" in text
    assert BOX * 2 in text
    assert "A box stands for a character that cannot be printed here" in text


def test_right_to_left_text_is_joined_and_put_in_order_inside_a_line_that_runs_the_other_way():
    """Unicode UAX 9 (isolates) and the joining forms of the Arabic letters, in printing order, by hand."""
    held, _font, replaced = printable(f"a {isolated('مرحبا')} 12")
    assert not replaced
    assert ordered(held) == "a \ufe8e\ufe92\ufea3\ufeae\ufee3 12"
    assert ordered(printable("יוסף")[0]) == "ףסוי"


def test_marks_that_would_turn_text_around_are_not_printed():
    assert printable(isolated("a\u202ecba\u2068x\u200f\ufe0f"))[0] == "acbax"


def test_a_long_note_and_a_hundred_bands_go_on_to_further_pages_and_lose_nothing():
    document = strict_json.read(LONG.read_bytes())
    first = document["entries"][0]
    document["entries"] = [first]
    document["course"]["wound"]["length_mm"] = 1000
    band = first["bands"][0]
    first["bands"] = [band | {"band": n + 1, "station_mm": 10 * n} for n in range(100)]
    first["note"] = "sentence " * 220
    sheet = hand_over_sheet(story_of_document(document))
    text = text_of(sheet)
    assert len(PdfReader(BytesIO(sheet)).pages) > 2
    assert all(f" {n} {10 * (n - 1)} mm 10 mm 17.0 mm" in text for n in range(1, 101))
    assert "[...]" in text  # the note is told to go on elsewhere


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.parent.name + "/" + path.stem)
def test_every_example_has_its_sheet(path):
    assert "Hand-over sheet" in text_of(hand_over_sheet(example(path)))


@settings(max_examples=15)
@given(course_files())
def test_whatever_the_intake_takes_can_be_printed(document):
    assert hand_over_sheet(story_of_document(document)).startswith(b"%PDF")
