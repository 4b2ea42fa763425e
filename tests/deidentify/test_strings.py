"""Every text that comes out is of a known kind: a word or code of the tables, a date, a pseudonym; no other can leak.

Over the examples and over random courses, whose notes, names and numbers are any text at all.
"""

import re
from datetime import UTC, datetime

import pytest
from hypothesis import HealthCheck, given, settings

from service import strict_json
from service.config import Settings
from service.deidentify import MODES
from service.fhir import wire
from service.fhir.r4 import codes
from service.projection import map_document, open_site
from tests.deidentify.releases import TERMS, bundles, names, opened, released
from tests.deidentify.test_scan import strings
from tests.random_courses import course_files

KNOWN = opened("research").vocabulary
A_UUID = "[0-9a-f]{8}-[0-9a-f]{4}-8[0-9a-f]{3}-[0-9a-f]{4}-[0-9a-f]{12}"
KINDS = [
    re.compile(pattern)
    for pattern in (
        rf"([A-Z][A-Za-z]+/)?{A_UUID}(/_history/[0-9]+)?",
        r"p-[0-9a-f]{32}",
        rf"{re.escape(TERMS.base)}/(sid/pseudonym|site/s-[0-9a-f]{{16}}|mapping-tables|origin)",
        r"[0-9]{4}(-[0-9]{2}-[0-9]{2}(T[0-9:.]+Z)?)?",
        r'<div xmlns="http://www\.w3\.org/1999/xhtml"><p>[A-Z][A-Za-z]+, de-identified\.</p></div>',
        r"Band [0-9]{1,3}",
    )
]
BOUND = {
    code
    for name in (
        "administrative-gender", "observation-status", "event-status", "request-status", "care-plan-intent",
        "goal-status", "device-status", "device-nametype", "device-statement-status", "task-status", "task-intent",
        "request-priority", "flag-status", "diagnostic-report-status", "encounter-status", "quantity-comparator",
        "narrative-status", "provenance-entity-role",
    )
    for code in codes(name)
}  # fmt: skip
WORDS = (
    KNOWN.words
    | KNOWN.extensions
    | KNOWN.canonicals
    | KNOWN.systems
    | {part for coding in KNOWN.codings for part in coding}
    | BOUND
    | {f"{formula})" for formula in KNOWN.formulas}
    | {TERMS.version, "withheld", "90 or older"}
)


def is_known(key, text):
    return text in WORDS or key == "resourceType" or any(kind.fullmatch(text) for kind in KINDS)


def strange(made):
    return [(key, text) for each in made for _, key, text in strings(each) if not is_known(key, text)]


@pytest.mark.parametrize("mode", MODES)
def test_every_text_that_comes_out_of_an_example_is_of_a_known_kind(mode):
    for _, resources in bundles():
        assert strange(made for _, made in released(mode, resources)) == []


SITE = open_site(Settings(site="demo"))
US_CORE_SITE = open_site(Settings(site="demo", us_core="6.1.0"))


@settings(max_examples=20, suppress_health_check=[HealthCheck.too_slow])
@given(course_files())
def test_every_text_that_comes_out_of_a_random_course_is_of_a_known_kind(document):
    for site in (SITE, US_CORE_SITE):
        read = strict_json.read(strict_json.write(document))
        bundle = wire.read(map_document(site, read, datetime(2027, 1, 1, tzinfo=UTC), "https://x.example/fhir"))
        resources = [entry["resource"] for entry in bundle["entry"]]
        for mode in MODES:
            pairs = released(mode, resources)
            assert len(pairs) == sum(mode == "research" or each["resourceType"] != "Provenance" for each in resources)
            assert strange(made for _, made in pairs) == []


def test_this_test_sees_what_it_is_for():
    _, resources = bundles()[0]
    assert len(strange(resources)) > 100
    assert names().site() not in str(resources)
