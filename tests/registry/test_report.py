"""The report: every figure is drawn, told in words and written as CSV; the page loads nothing and escapes names."""

import csv
import re
from html.parser import HTMLParser

import pandas as pd
import pytest

from service.clinic.caution import CAUTION
from service.registry.figures import figures_of
from service.registry.report import render, write_report
from service.registry.report_plots import plots_of
from service.registry.time_to_event import cumulative_incidence, survival
from tests.registry.conftest import NOW


@pytest.fixture(scope="module")
def figures(cohort, definitions):
    return figures_of(cohort, definitions)


@pytest.fixture(scope="module")
def page(figures, definitions):
    return render(figures, definitions, NOW)


class Elements(HTMLParser):
    """Every start tag with its attributes, and whether tags are closed in order."""

    VOID = frozenset({"meta", "path", "circle", "rect", "link", "br"})

    def __init__(self, text):
        super().__init__()
        self.found, self._open = [], []
        self.feed(text)
        assert self._open == []

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if tag not in self.VOID:
            assert self._open.pop() == tag


def test_every_plot_is_there_with_a_title_and_its_words(page, figures, definitions):
    plots = plots_of(figures, definitions.ending_labels)
    assert len(plots) == 8
    elements = Elements(page).found
    drawings = [attributes for tag, attributes in elements if tag == "svg"]
    assert len(drawings) == len(plots)
    assert all(one["role"] == "img" and one["aria-labelledby"] for one in drawings)
    identifiers = [attributes["id"] for _, attributes in elements if "id" in attributes]
    assert len(identifiers) == len(set(identifiers))
    for plot in plots.values():
        assert {f"{plot.key}-title", f"{plot.key}-told"} <= set(identifiers)
        assert plot.told.endswith(".")
        assert plot.x.title


def test_nothing_is_loaded_from_anywhere(page):
    for tag, attributes in Elements(page).found:
        assert tag not in ("script", "link", "img", "iframe")
        assert not {"src", "href", "onload", "onclick"} & set(attributes)
    assert "url(" not in page
    assert "http" not in page


def test_the_cautions_stand_on_the_page(page):
    assert CAUTION in page
    assert "not a verdict on quality" in page
    assert "Simulated data" in page


def test_real_sites_are_not_called_simulated(cohort, definitions):
    page = render(figures_of(cohort.assign(site="heron"), definitions), definitions, NOW)
    assert "Simulated data" not in page


def test_a_name_that_looks_like_markup_stays_text(cohort, definitions):
    hostile = "<script>alert(1)</script>"
    page = render(figures_of(cohort.assign(site=hostile), definitions), definitions, NOW)
    assert "<script" not in page
    assert "&lt;script&gt;" in page


def test_lines_differ_in_dash_and_not_in_colour_alone(figures, definitions):
    plot = plots_of(figures, definitions.ending_labels)["incidence"]
    curves = {(path.colour, path.dash) for path in plot.paths}
    shown = [row["label"] for row in figures.endings.rows if row["share"] is not None]
    assert len({dash for _, dash in curves}) == len(curves) == len(shown) > 1


def test_marks_stay_inside_of_their_plot(figures, definitions):
    for plot in plots_of(figures, definitions.ending_labels).values():
        places = [place for path in plot.paths for place in path.places] + [(dot.x, dot.y) for dot in plot.dots]
        assert all(0 <= x <= plot.width and 0 <= y <= plot.height for x, y in places)


def test_each_figure_is_a_csv_file_with_the_numbers_of_the_tables(figures, definitions, tmp_path):
    written = write_report(figures, definitions, tmp_path, NOW)
    assert sorted(path.name for path in written) == sorted(["report.html", *(f"{t.key}.csv" for t in figures.tables())])
    with (tmp_path / "sites.csv").open() as file:
        read = list(csv.DictReader(file))
    for row, expected in zip(read, figures.sites.rows, strict=True):
        assert row["site"] == expected["site"]
        assert row["share"] == ("" if expected["share"] is None else str(expected["share"]))


def test_figures_are_those_of_the_library_on_the_same_courses(figures, cohort, definitions):
    """The wiring: statsmodels on the plain columns gives what the tables say."""
    timed = cohort[cohort.days.notna()]
    causes = list(dict.fromkeys(definitions.endings.values()))
    codes = timed.ending.map({cause: at for at, cause in enumerate(causes, 1)}).fillna(0).astype(int)
    incidence = cumulative_incidence(timed.days, codes)
    for row in figures.incidence.rows:
        assert row["closed"] == pytest.approx(incidence.at([row["day"]], 1)[0][0], abs=1e-12)
        assert row["at_risk"] == (timed.days >= row["day"]).sum()
        assert sum(row[cause] or 0 for cause in causes) <= 1 + 1e-9
    curve = survival(timed.days, timed.closed.astype(int))
    assert figures.time_open.rows[0]["median_days"] == curve.quantile(0.5)
    ended = cohort[cohort.ended]
    closed = next(row for row in figures.endings.rows if row["ending"] == "closed")
    assert (closed["events"], closed["n"]) == (int(ended.closed.sum()), len(ended))


def test_resets_a_day_and_quartiles_are_those_of_the_courses_of_a_site(figures, cohort):
    for row in figures.sites.rows:
        own = cohort[cohort.site == row["site"]]
        assert row["resets_per_day"] == pytest.approx(own.resets.sum() / own.days.sum(), rel=1e-6)
        assert row["in_range_median"] == pytest.approx(own.in_range_share.median())


def test_courses_without_usable_dates_are_told_and_left_out_of_times(cohort, definitions):
    coarse = cohort.assign(days=cohort.days.where(cohort.index % 2 == 0), in_range_share=float("nan"))
    figures = figures_of(coarse, definitions)
    told = {row["what"]: row["count"] for row in figures.overview.rows}
    assert told["Left out of times: dates missing or too coarse"] == int(coarse.days.isna().sum())
    assert figures.incidence.rows[0]["at_risk"] == int(coarse.days.notna().sum())
    page = render(figures, definitions, NOW)
    assert "Not shown: too few patients." in page


def test_without_any_dates_the_page_still_tells_the_endings(cohort, definitions):
    page = render(
        figures_of(cohort.assign(days=float("nan"), in_range_share=float("nan")), definitions), definitions, NOW
    )
    assert page.count("Not shown: too few patients.") == 5
    assert re.search(r"Primary closure: \d", page)


def test_pandas_reads_the_flags_as_booleans(cohort):
    """`~` on a column of whole numbers would give nonsense."""
    for name in ("started", "ended", "closed", "complicated", "closed_within_14_days"):
        assert cohort[name].dtype == bool
    assert pd.api.types.is_float_dtype(cohort.days)
