"""One catalogue holds every text of the pages and the sheet, so that another language can follow."""

import gettext
from io import BytesIO
from pathlib import Path

import pytest
from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po

from service.api.pages.course_page import course_page
from service.report import texts
from service.report.hand_over import hand_over_sheet
from tests.report.stories import example
from tests.report.test_hand_over import text_of

SERVICE = Path(texts.__file__).parents[1]
POT = SERVICE / "locale" / "pages.pot"
METHODS = [("**.py", "python"), ("templates/**.html", "jinja2")]
OPTIONS = {"templates/**.html": {"extensions": "jinja2.ext.i18n", "trimmed": "true", "newstyle_gettext": "true"}}
KEYWORDS = {"_": None, "later": None, "plural": (1, 2), "ngettext": (1, 2), "gettext": None}


def catalogue():
    with POT.open("rb") as file:
        return read_po(file)


def test_the_catalogue_lists_every_text_and_no_other():
    """Regenerate with `pybabel extract`; the call stands in docs/pages.md."""
    found = {message for _, _, message, _, _ in extract_from_dir(SERVICE, METHODS, OPTIONS, keywords=KEYWORDS)}
    listed = {message.id for message in catalogue() if message.id}
    assert listed == found


@pytest.fixture
def shouting(monkeypatch):
    """A language in which every text is its own, in capitals between marks; names of values stay."""
    spoken = Catalog(locale="en")
    for message in catalogue():
        if message.id:
            several = isinstance(message.id, tuple)
            spoken.add(message.id, tuple(map(_shout, message.id)) if several else _shout(message.id))
    compiled = BytesIO()
    write_mo(compiled, spoken)
    compiled.seek(0)
    monkeypatch.setattr(texts, "CATALOGUE", gettext.GNUTranslations(compiled))


def _shout(text):
    return f"«{text}»"


def test_another_language_reaches_every_text_of_the_page_and_the_sheet(shouting):
    story = example(entries=13)
    page = course_page(story)
    for text in ("«Due board»", "«Reset plan, in order of work from the middle outwards»", "«in range»", "«Skin»"):
        assert text in page
    sheet = text_of(hand_over_sheet(story))
    for text in ("«Situation»", "«What to watch»", "«below range»", "«Treating surgeon»"):
        assert text in sheet
