"""The registry's figures as FHIR: Measure (http://hl7.org/fhir/R4/measure.html) and MeasureReport
(http://hl7.org/fhir/R4/measurereport.html), summary ones of all sites and of each, individual ones of each patient.

A population counts courses, not patients: two wounds of one patient are two. Summaries withhold small cells as the
report does; individual reports speak of one patient each and stay where identified data may be.
"""

from collections.abc import Iterator
from datetime import datetime
from decimal import Decimal
from typing import Any
from uuid import UUID, uuid5

import pandas as pd  # type: ignore[import-untyped]  # no stubs among the locked packages

from service.fhir.build.values import narrative
from service.registry.cells import Cell, withheld
from service.registry.definitions import Definitions, MeasureDefinition
from service.registry.proportions import proportion
from service.terminology import Terminology

__all__ = ["ALL_SITES", "individual_reports", "measure", "measures", "summary_reports"]

Tree = dict[str, Any]
ALL_SITES = ""
# Made once at random; ids of reports are UUIDv5 over measure, site and patient, so that a repeat gives the same ids.
_NAMESPACE = UUID("5f0b7c3e-2f7d-4f0e-9f5c-7f1d0a9b6e24")
_POPULATIONS = ("initial-population", "denominator", "numerator")
_SCORE_DIGITS = 6
_CAUTION = "Observational, without adjustment; a difference between sites is no verdict on quality."


def measures(definitions: Definitions, terms: Terminology) -> list[Tree]:
    """Every Measure of the definitions."""
    return [measure(one, definitions, terms) for one in definitions.measures]


def measure(one: MeasureDefinition, definitions: Definitions, terms: Terminology) -> Tree:
    """One Measure; its criteria name columns of the cohort (docs/registry.md)."""
    words, canonical = one.words, terms.canonical
    return {
        "resourceType": "Measure",
        "id": one.key,
        "text": narrative(f"{words['title']}. {words['description']} {_CAUTION}"),
        "url": _url(one, terms),
        "version": canonical["version"],
        "name": "".join(part.capitalize() for part in one.key.split("-")),
        "title": words["title"],
        "status": "active",
        "date": canonical["date"],
        "publisher": canonical["publisher"],
        "description": f"{words['description']} A population counts courses, each of one wound.",
        "disclaimer": _CAUTION,
        "scoring": definitions.coded("scoring", words["scoring"]),
        "type": [definitions.coded("type", "outcome")],
        "rationale": words["rationale"],
        "improvementNotation": definitions.coded("improvement", words["improvement"]),
        "group": [{"population": [_criterion(one, name, definitions) for name in _POPULATIONS]}],
    }


def _url(one: MeasureDefinition, terms: Terminology) -> str:
    return f"{terms.base}/Measure/{one.key}"


def _criterion(one: MeasureDefinition, name: str, definitions: Definitions) -> Tree:
    denominator = one.denominator
    conditions = {
        "initial-population": "true",
        "denominator": denominator,
        "numerator": f"{denominator} AND {one.numerator}",
    }
    said = one.words[f"{name.removesuffix('-population')}-words"]
    return {
        "code": definitions.coded("population", name),
        "description": said,
        "criteria": {"description": said, "language": "application/sql", "expression": conditions[name]},
    }


def summary_reports(
    cohort: "pd.DataFrame", definitions: Definitions, terms: Terminology, made_at: datetime
) -> Iterator[Tree]:
    """For each Measure a report of all sites together, then one of each site; small cells are withheld."""
    sites = [(name, rows) for name, rows in cohort.groupby("site")]
    for one in definitions.measures:
        cells = [_cell(rows, one) for _, rows in sites]
        hidden = withheld(cells, definitions.smallest, adds_up=True)
        together = _cell(cohort, one)
        hide_all = together.small(definitions.smallest)
        yield _summary(one, ALL_SITES, cohort, None if hide_all else together, definitions, terms, made_at)
        for (name, rows), cell, hide in zip(sites, cells, hidden, strict=True):
            yield _summary(one, str(name), rows, None if hide else cell, definitions, terms, made_at)


def _cell(rows: "pd.DataFrame", one: MeasureDefinition) -> Cell:
    among = rows[rows[one.denominator]]
    hit = among[one.numerator]
    patients = [len(part[["site", "patient_key"]].drop_duplicates()) for part in (among[hit], among[~hit])]
    return Cell(int(hit.sum()), len(among), *patients)


def _summary(
    one: MeasureDefinition, site: str, rows: "pd.DataFrame", cell: Cell | None, definitions: Definitions,
    terms: Terminology, made_at: datetime,
) -> Tree:  # fmt: skip
    report = _frame(one, "summary", f"{one.key}|{site}", terms, made_at)
    where = site or "all sites"
    if cell is None:
        report["text"] = narrative(f"{one.words['title']}, {where}: withheld, few patients.")
        populations: list[Tree] = [{"code": definitions.coded("population", name)} for name in _POPULATIONS]
    else:
        counts = dict(zip(_POPULATIONS, (len(rows), cell.n, cell.events), strict=True))
        report["text"] = narrative(f"{one.words['title']}, {where}: {_said(cell)} {_CAUTION}")
        populations = [{"code": definitions.coded("population", name), "count": counts[name]} for name in counts]
    if site:
        report["reporter"] = {"identifier": {"system": f"{terms.base}/site", "value": site}, "display": site}
    report["period"] = _period(rows, made_at)
    report["improvementNotation"] = definitions.coded("improvement", one.words["improvement"])
    report["group"] = [{"population": populations}]
    if cell is not None and cell.n:
        report["group"][0]["measureScore"] = terms.quantity(_score(cell), "ratio")
    return _in_order(report)


def _score(cell: Cell) -> Decimal:
    return round(Decimal(cell.events) / cell.n, _SCORE_DIGITS)


def _said(cell: Cell) -> str:
    found = proportion(cell.events, cell.n)
    if found.share is None or found.low is None or found.high is None:
        return "no course to count."
    limits = f"95 % Wilson interval {100 * found.low:.1f} to {100 * found.high:.1f} %"
    return f"{found.events} of {found.n} courses, {100 * found.share:.1f} % ({limits})."


def individual_reports(
    cohort: "pd.DataFrame", definitions: Definitions, terms: Terminology, made_at: datetime
) -> Iterator[Tree]:
    """For each Measure and patient, how many courses are in each population."""
    for one in definitions.measures:
        flags = cohort.assign(
            denominator=cohort[one.denominator], numerator=cohort[one.denominator] & cohort[one.numerator]
        )
        grouped = flags.groupby(["site", "patient_key"], sort=True)
        counted = grouped.agg(
            initial=("course_key", "size"), denominator=("denominator", "sum"), numerator=("numerator", "sum"),
            start=("started_at", "min"), end=("until_at", "max"),
        )  # fmt: skip
        for row in counted.reset_index().itertuples():
            yield _individual(one, row, definitions, terms, made_at)


def _individual(
    one: MeasureDefinition, row: Any, definitions: Definitions, terms: Terminology, made_at: datetime
) -> Tree:
    report = _frame(one, "individual", f"{one.key}|{row.site}|{row.patient_key}", terms, made_at)
    counts = zip(_POPULATIONS, (row.initial, row.denominator, row.numerator), strict=True)
    populations = [{"code": definitions.coded("population", name), "count": int(count)} for name, count in counts]
    report["text"] = narrative(
        f"{one.words['title']}: {int(row.numerator)} of {int(row.denominator)} courses of one patient."
    )
    report["subject"] = {"reference": f"Patient/{row.patient_key}"}
    report["reporter"] = {"identifier": {"system": f"{terms.base}/site", "value": row.site}, "display": row.site}
    report["period"] = _days(row.start, row.end, made_at)
    report["improvementNotation"] = definitions.coded("improvement", one.words["improvement"])
    report["group"] = [{"population": populations}]
    return _in_order(report)


_ORDER = (
    "resourceType", "id", "text", "status", "type", "measure", "subject", "date", "reporter", "period",
    "improvementNotation", "group",
)  # fmt: skip


def _in_order(report: Tree) -> Tree:
    """Keys in the order of the specification's page."""
    return {name: report[name] for name in _ORDER if name in report}


def _frame(one: MeasureDefinition, kind: str, named: str, terms: Terminology, made_at: datetime) -> Tree:
    return {
        "resourceType": "MeasureReport",
        "id": str(uuid5(_NAMESPACE, f"{kind}|{named}")),
        "status": "complete",
        "type": kind,
        "measure": f"{_url(one, terms)}|{terms.canonical['version']}",
        "date": made_at.isoformat(timespec="seconds"),
    }


def _period(rows: "pd.DataFrame", made_at: datetime) -> Tree:
    return _days(rows.started_at.min(), rows.until_at.max(), made_at)


def _days(start: Any, end: Any, made_at: datetime) -> Tree:
    """From the first application to the last outcome or charting; to the making of the report without dates."""
    period = {} if pd.isna(start) else {"start": start.date().isoformat()}
    return period | {"end": (made_at if pd.isna(end) else end).date().isoformat()}
