"""One row a course: when it began, how and when it ended, what happened on the way. Written once, run by any engine.

Everything here is an ibis expression over the tables of the views; no engine's own SQL. Times count from the first
application of bands. A course without an outcome is open and is censored at the last time that anything was charted.
"""

from collections.abc import Mapping
from functools import reduce

import ibis  # type: ignore[import-untyped]  # carries no types
from ibis import ir

from service.registry.definitions import Definitions

__all__ = ["OPEN", "TABLES", "cohort", "cohort_sql", "unbound_tables"]

OPEN, OTHER = "open", "other"
TABLES = ("courses", "wounds", "procedures", "resets", "checks", "gaps", "bands", "skin", "outcomes", "alerts")
_DAY_S = 86400.0
_KEYS = ("site", "course_key")
_SOON_DAYS = 14
_TYPES = {
    "VARCHAR": "string",
    "DOUBLE": "float64",
    "BOOLEAN": "boolean",
    "TIMESTAMP WITH TIME ZONE": "timestamp('UTC')",
}


def unbound_tables(columns: Mapping[str, Mapping[str, str]]) -> dict[str, ir.Table]:
    """Tables of no engine yet, from their columns with DuckDB's types."""
    return {
        name: ibis.table({column: _TYPES[type_] for column, type_ in columns[name].items()}, name=name)
        for name in TABLES
    }


def cohort_sql(columns: Mapping[str, Mapping[str, str]], definitions: Definitions) -> str:
    """The cohort as DuckDB's SQL."""
    return str(ibis.to_sql(cohort(unbound_tables(columns), definitions), dialect="duckdb"))


def cohort(tables: Mapping[str, ir.Table], definitions: Definitions) -> ir.Table:
    """The cohort with its flags and figures, one row for each course of the table `courses`.

    `days` is the time from the first application to the outcome or, while open, to the last charting; NULL where dates
    are missing or coarser than a day, as in data reduced to years. `in_range_share` is the share of the time between
    readings of the same band that counts as in the site's working range (`_working_range`).
    """
    courses = tables["courses"].select("site", "course_key", "patient_key", "wound_key", "tables_version")
    wounds = tables["wounds"].select("site", "wound_key", "cause", "body_site")
    joined = _with(courses, wounds, ("site", "wound_key"))
    for part in (
        _starts(tables["procedures"], definitions.application),
        _endings(tables["outcomes"]),
        _last_charted(tables),
        _count(tables["resets"], "resets"),
        _count(tables["checks"], "checks"),
        _baseline(tables["gaps"]),
        _working_range(tables["bands"]),
        _complications(tables, definitions),
    ):
        joined = _with(joined, part, _KEYS)
    return _figures(joined, definitions)


def _with(left: ir.Table, right: ir.Table, keys: tuple[str, ...]) -> ir.Table:
    """A left join that keeps one copy of the keys."""
    renamed = right.rename({f"{key}_right": key for key in keys})
    matches = [left[key] == renamed[f"{key}_right"] for key in keys]
    return left.left_join(renamed, matches).drop(*(f"{key}_right" for key in keys))


def _starts(procedures: ir.Table, application: str) -> ir.Table:
    applied = procedures.filter(procedures.procedure == application)
    return applied.group_by(_KEYS).agg(started_at=applied.performed_at.min(), applications=applied.count())


def _endings(outcomes: ir.Table) -> ir.Table:
    """The latest outcome of a course; one charted anew takes the place of an earlier one."""
    latest = ibis.row_number().over(
        group_by=_KEYS, order_by=[outcomes.ended_at.desc(nulls_first=False), outcomes.outcome_key]
    )
    ranked = outcomes.mutate(place=latest)
    return ranked.filter(ranked.place == 0).select(*_KEYS, "ended_at", "outcome")


def _last_charted(tables: Mapping[str, ir.Table]) -> ir.Table:
    times = [
        tables["procedures"].select(*_KEYS, charted_at="performed_at"),
        tables["checks"].select(*_KEYS, charted_at="checked_at"),
        tables["bands"].select(*_KEYS, charted_at="read_at"),
        tables["gaps"].select(*_KEYS, charted_at="measured_at"),
    ]
    charted = reduce(lambda first, second: first.union(second), times)
    return charted.group_by(_KEYS).agg(last_charted_at=charted.charted_at.max())


def _count(table: ir.Table, name: str) -> ir.Table:
    return table.group_by(_KEYS).agg(**{name: table.count()})


def _baseline(gaps: ir.Table) -> ir.Table:
    """The widest gap of the first reading."""
    first = ibis.row_number().over(group_by=_KEYS, order_by=[gaps.measured_at.asc(nulls_first=False), gaps.gap_key])
    ranked = gaps.mutate(place=first)
    return ranked.filter(ranked.place == 0).select(*_KEYS, baseline_gap_cm="widest_gap_cm")


def _working_range(bands: ir.Table) -> ir.Table:
    """Hours between two readings of a band, all of them and those in range.

    Half of the time between two readings counts as the earlier one read, half as the later one. A reset reads a band
    before and after at one time: of two readings at one time the one in range counts as the later.
    """
    read = bands.filter(bands.read_at.notnull())
    read = read.mutate(inside=read.in_range.cast("int64"))
    order = ibis.window(group_by=(*_KEYS, "band_key"), order_by=[read.read_at, read.inside, read.reading_key])
    spans = read.mutate(until=read.read_at.lead().over(order), inside_then=read.inside.lead().over(order))
    spans = spans.filter(spans.until.notnull())
    spans = spans.mutate(hours=_seconds(spans.until, spans.read_at) / 3600)
    inside = spans.hours * (spans.inside + spans.inside_then) / 2
    return spans.group_by(_KEYS).agg(band_hours=spans.hours.sum(), band_hours_in_range=inside.sum())


def _seconds(until: ir.Value, since: ir.Value) -> ir.Value:
    """Seconds between two times, as a double: engines differ in what a division of whole numbers is."""
    return (until.epoch_seconds() - since.epoch_seconds()).cast("float64")


def _complications(tables: Mapping[str, ir.Table], definitions: Definitions) -> ir.Table:
    """One column a complication, 1 where a finding or an alert of the course is one."""
    skin = tables["skin"].select(*_KEYS, code="finding", found_by=ibis.literal("skin"))
    alerts = _placed_alerts(tables).select(*_KEYS, code="alert", found_by=ibis.literal("alert"))
    found = skin.union(alerts)
    columns = {}
    for one in definitions.complications:
        hit = ((found.found_by == "skin") & found.code.isin(one.skin or ("",))) | (
            (found.found_by == "alert") & found.code.isin(one.alerts or ("",))
        )
        columns[column_of(one.key)] = ibis.cases((hit, 1), else_=0).max()
    return found.group_by(_KEYS).agg(**columns)


def column_of(key: str) -> str:
    """The column of a complication."""
    return f"complication_{key.replace('-', '_')}"


def _placed_alerts(tables: Mapping[str, ir.Table]) -> ir.Table:
    """Alerts with their course: that of the check or the procedure behind them.

    An alert that an outcome keeps up has neither; it counts for the only course of its patient, and is left out where
    the patient has several.
    """
    alerts = tables["alerts"].select("site", "patient_key", "check_key", "procedure_key", "alert")
    checks = tables["checks"].select("site", "check_key", "course_key")
    procedures = tables["procedures"].select("site", "procedure_key", "course_key")
    bare = alerts.filter(alerts.check_key.isnull() & alerts.procedure_key.isnull())
    parts = (
        alerts.join(checks, ["site", "check_key"]),
        alerts.join(procedures, ["site", "procedure_key"]),
        bare.join(_only_courses(tables["courses"]), ["site", "patient_key"]),
    )
    return reduce(lambda first, second: first.union(second), [part.select(*_KEYS, "alert") for part in parts])


def _only_courses(courses: ir.Table) -> ir.Table:
    """The course of each patient who has one only."""
    grouped = courses.group_by("site", "patient_key").agg(course_key=courses.course_key.max(), count=courses.count())
    return grouped.filter(grouped["count"] == 1).select("site", "patient_key", "course_key")


def _figures(table: ir.Table, definitions: Definitions) -> ir.Table:
    endings = [(table.outcome == code, ending) for code, ending in definitions.endings.items()]
    ended = table.outcome.notnull()
    ending = ibis.cases((table.outcome.isnull(), OPEN), *endings, else_=OTHER)
    until = ibis.ifelse(ended, table.ended_at, table.last_charted_at)
    seconds = _seconds(until, table.started_at)
    days = ibis.ifelse(seconds >= 0, seconds / _DAY_S, ibis.null("float64"))
    flags = {column_of(one.key): table[column_of(one.key)].fill_null(0) for one in definitions.complications}
    counted = {name: table[name].fill_null(0) for name in ("applications", "resets", "checks")}
    share = table.band_hours_in_range / table.band_hours.nullif(0)
    shown = table.mutate(
        started=table.started_at.notnull(),
        ended=ended,
        ending=ending,
        days=days,
        in_range_share=share,
        until_at=until,
        **flags,
        **counted,
    ).drop("ended_at", "last_charted_at", "wound_key", "outcome")
    closed = shown.ending == "closed"
    flagged = reduce(lambda first, second: first + second, [shown[column] for column in flags])
    return shown.mutate(
        closed=closed,
        complicated=flagged > 0,
        closed_within_14_days=closed & (shown.days <= _SOON_DAYS).fill_null(False),
    )
