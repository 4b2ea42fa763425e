"""Measures and MeasureReports: valid R4 for three judges, codes of the allow-list, and the numbers of the cohort."""

import pytest

from service.fhir import wire
from service.fhir.validate import check
from service.fhir.validate.second_opinion import second_opinion
from service.registry.figures import figures_of
from service.registry.measures import individual_reports, measures, summary_reports
from service.terminology.tables import folder_of_tables
from tests.registry.conftest import NOW


@pytest.fixture(scope="module")
def summaries(cohort, definitions, terms):
    return list(summary_reports(cohort, definitions, terms, NOW))


@pytest.fixture(scope="module")
def individuals(cohort, definitions, terms):
    return list(individual_reports(cohort, definitions, terms, NOW))


def counts(report):
    populations = report["group"][0]["population"]
    return {one["code"]["coding"][0]["code"]: one["count"] for one in populations if "count" in one}


def test_every_resource_is_valid(definitions, terms, summaries, individuals):
    for resource in [*measures(definitions, terms), *summaries, *individuals[::10]]:
        issues = [issue for issue in check(resource) if issue.severity in ("error", "warning")]
        assert issues == []
        assert list(second_opinion(resource, wire.write(resource))) == []


def test_reports_name_a_measure_that_is_published(definitions, terms, summaries, individuals):
    published = {f"{one['url']}|{one['version']}" for one in measures(definitions, terms)}
    assert {report["measure"] for report in [*summaries, *individuals]} == published


def test_the_summary_of_all_sites_says_what_the_report_says(cohort, definitions, summaries):
    endings = figures_of(cohort, definitions).endings.rows
    closed = next(row for row in endings if row["ending"] == "closed")
    report = next(one for one in summaries if "/primary-closure|" in one["measure"] and "reporter" not in one)
    assert counts(report) == {
        "initial-population": len(cohort),
        "denominator": closed["n"],
        "numerator": closed["events"],
    }
    assert float(report["group"][0]["measureScore"]["value"]) == pytest.approx(closed["share"], abs=1e-6)


def test_individual_reports_add_up_to_the_summary(summaries, individuals):
    for report in summaries:
        if "reporter" in report or not counts(report):
            continue
        own = [counts(one) for one in individuals if one["measure"] == report["measure"]]
        assert {name: sum(one[name] for one in own) for name in own[0]} == counts(report)


def test_individual_reports_speak_of_one_patient_each_and_populations_are_nested(individuals):
    subjects = [
        (one["measure"], one["reporter"]["identifier"]["value"], one["subject"]["reference"]) for one in individuals
    ]
    assert len(set(subjects)) == len(subjects)
    assert len({one["id"] for one in individuals}) == len(individuals)
    for report in individuals:
        found = counts(report)
        assert found["initial-population"] >= found["denominator"] >= found["numerator"] >= 0


def test_a_repeat_gives_the_same_reports(cohort, definitions, terms, summaries):
    assert list(summary_reports(cohort, definitions, terms, NOW)) == summaries


def test_a_period_ends_at_the_making_where_dates_are_missing(cohort, definitions, terms):
    bare = cohort.assign(started_at=cohort.started_at.iloc[0:0], until_at=cohort.until_at.iloc[0:0])
    report = next(iter(summary_reports(bare, definitions, terms, NOW)))
    assert report["period"] == {"end": NOW.date().isoformat()}


def test_no_code_or_system_of_the_measures_stands_in_python(definitions):
    """They come from mappings/measures.toml, copied as printed in R4 4.0.1."""
    text = (folder_of_tables() / "measures.toml").read_text()
    for listed in definitions.standard.values():
        assert listed["system"] in text
        assert listed["system"].startswith("http://terminology.hl7.org/CodeSystem/measure-")
