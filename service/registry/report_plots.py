"""The plots of the report, each made of one or two tables of figures."""

from collections.abc import Mapping, Sequence
from typing import Any

from service.registry.figures import HORIZON_DAYS, Figures
from service.registry.plot import SERIES, Axis, Band, Dot, Label, Path, Plot, percent, stepped

__all__ = ["plots_of"]

Row = Mapping[str, Any]
_SHARES = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)
_LEFT, _RIGHT, _TOP = 56.0, 466.0, 14.0
_FLOOR = 250.0  # where the horizontal axis of most plots lies
_DAYS = tuple(float(day) for day in range(0, HORIZON_DAYS + 1, 5))
_ROW = 46.0
_DAY_TITLE = "Days since the first application of bands"


def plots_of(figures: Figures, labels: Mapping[str, str]) -> dict[str, Plot]:
    """Every plot for which there is something to show, by key."""
    made = [
        _incidence(figures.incidence.rows, labels),
        _time_open(figures.time_open.rows),
        _shares(figures.endings.rows, "endings", "How courses ended", "Share of ended courses"),
        _shares(figures.complications.rows, "complications", "Complications", "Share of courses with bands applied"),
        _funnel(figures.sites.rows, figures.funnel_lines.rows),
        _by_site(
            figures.sites.rows, "resets", "Resets a day, by site", "Resets per course day",
            ("resets_low", "resets_per_day", "resets_high"), "{:g}".format,
        ),
        _by_site(
            figures.sites.rows, "in-range", "Time in the working range, by site", "Share of time, median and quartiles",
            ("in_range_q1", "in_range_median", "in_range_q3"), percent,
        ),
        _histogram(figures.working_range.rows),
    ]  # fmt: skip
    return {plot.key: plot for plot in made if plot is not None}


def _share_axis(title: str) -> Axis:
    return Axis(title, 0.0, 1.0, _FLOOR, _TOP, _SHARES, percent)


def _day_axis() -> Axis:
    return Axis(_DAY_TITLE, 0.0, float(HORIZON_DAYS), _LEFT, _RIGHT, _DAYS)


def _incidence(rows: Sequence[Row], labels: Mapping[str, str]) -> Plot | None:
    """Cumulative incidence of each ending with its 95 % band."""
    if len(rows) < 2:
        return None
    x, y = _day_axis(), _share_axis("Share of courses that ended so")
    series = {cause: style for cause, style in zip(labels, SERIES, strict=False) if rows[0].get(cause) is not None}
    if not series:
        return None
    last = rows[-1]
    told = "; ".join(f"{labels[cause]} {percent(last[cause])}" for cause in series)
    plot = Plot("incidence", "How courses end over time", f"By day {last['day']}: {told}.", 350.0, x, y)
    for cause, (colour, dash) in series.items():
        limited = [row for row in rows if row[f"{cause}_low"] is not None]
        upper = stepped([(x.at(row["day"]), y.at(row[f"{cause}_high"])) for row in limited])
        lower = stepped([(x.at(row["day"]), y.at(row[f"{cause}_low"])) for row in limited])
        if upper:
            plot.bands.append(Band(upper, lower, colour))
        plot.paths.append(Path(stepped([(x.at(row["day"]), y.at(row[cause])) for row in rows]), colour, dash))
    _legend(plot, {labels[cause]: style for cause, style in series.items()})
    _at_risk(plot, rows, x)
    return plot


def _legend(plot: Plot, named: Mapping[str, tuple[str, str]]) -> None:
    """Names with a piece of their line, in the empty upper left corner."""
    for at, (name, (colour, dash)) in enumerate(named.items()):
        y = _TOP + 12 + at * 19
        plot.paths.append(Path([(_LEFT + 10, y - 4), (_LEFT + 46, y - 4)], colour, dash))
        plot.labels.append(Label(_LEFT + 54, y, name))


def _at_risk(plot: Plot, rows: Sequence[Row], x: Axis) -> None:
    """How many courses are still followed, below the axis."""
    by_day = {row["day"]: row["at_risk"] for row in rows}
    plot.labels.append(Label(8, _FLOOR + 68, "Courses still followed"))
    for at, day in enumerate(_DAYS):
        if at == 0 or by_day.get(int(day)) is not None:
            anchor = "end" if day == HORIZON_DAYS else "middle"
            plot.labels.append(Label(x.at(day), _FLOOR + 88, f"{by_day.get(int(day), 0)}", anchor))


def _time_open(rows: Sequence[Row]) -> Plot | None:
    """Kaplan-Meier of the time to primary closure."""
    if len(rows) < 2:
        return None
    x, y = _day_axis(), _share_axis("Not yet closed primarily")
    median = rows[0]["median_days"]
    words = f"Half of the courses have closed after {median:.1f} days" if median is not None else "Half was not reached"
    plot = Plot("time-open", "Time to primary closure", f"{words}, were no other ending to come first.", 350.0, x, y)
    limited = [row for row in rows if row["low"] is not None]
    edges = [stepped([(x.at(row["day"]), y.at(row[side])) for row in limited]) for side in ("high", "low")]
    if limited:
        plot.bands.append(Band(edges[0], edges[1], SERIES[0][0]))
    plot.paths.append(Path(stepped([(x.at(row["day"]), y.at(row["not_closed"])) for row in rows]), SERIES[0][0]))
    if median is not None:
        half = [(x.at(0), y.at(0.5)), (x.at(median), y.at(0.5)), (x.at(median), y.at(0))]
        plot.paths.append(Path(half, "#555555", "2 3", 1.2))
        plot.labels.append(Label(x.at(median) + 30, y.at(0.5) - 4, f"median {median:.1f} d"))
    _at_risk(plot, rows, x)
    return plot


def _shares(rows: Sequence[Row], key: str, title: str, axis: str) -> Plot | None:
    """Shares with their intervals, one below the other, in words above each."""
    shown = [row for row in rows if row["share"] is not None]
    if not shown:
        return None
    height = _ROW * len(rows)
    high = max(0.05, max(row["high"] for row in shown))
    step = next(step for step in (0.01, 0.02, 0.05, 0.1, 0.2) if high / step <= 5)
    top = step * -(-high // step)
    ticks = tuple(round(step * at, 4) for at in range(round(top / step) + 1))
    x = Axis(axis, 0.0, top, 16.0, _RIGHT - 8, ticks, percent)
    told = "; ".join(f"{row['label']} {percent(row['share'])}" for row in shown)
    plot = Plot(key, title, f"{told}.", height + 56, x)
    for at, row in enumerate(rows):
        _interval(plot, row, x, _ROW * at + 34)
    return plot


def _interval(plot: Plot, row: Row, x: Axis, y: float) -> None:
    if row["share"] is None:
        plot.labels.append(Label(16, y - 14, f"{row['label']}: withheld, few patients"))
        return
    words = f"{row['label']}: {100 * row['share']:.1f} % ({row['events']} of {row['n']})"
    plot.labels.append(Label(16, y - 14, words))
    plot.paths.append(Path([(x.at(row["low"]), y), (x.at(row["high"]), y)], "#000000"))
    plot.dots.append(Dot(x.at(row["share"]), y, f"{words}, 95 % {percent(row['low'])} to {percent(row['high'])}"))


def _funnel(sites: Sequence[Row], lines: Sequence[Row]) -> Plot | None:
    """Sites by size, with the limits within which chance alone would leave them."""
    shown = [row for row in sites if row["share"] is not None and row["n"]]
    if not lines or not shown:
        return None
    largest = lines[-1]["n"]
    step = next(step for step in (5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 10**6) if largest / step <= 6)
    ticks = tuple(float(at) for at in range(0, int(largest) + 1, step))
    x = Axis("Ended courses of a site", 0.0, float(largest), _LEFT, _RIGHT, ticks)
    y = _share_axis("Closed primarily")
    alarms = [row for row in shown if row["outside_998"]]
    told = f"{len(shown)} sites around {percent(lines[0]['target'])}; {len(alarms)} outside of the 99.8 % limits."
    plot = Plot("funnel", "Primary closure, site by site", told, 350.0, x, y)
    for side, dash in (("low_95", "6 4"), ("high_95", "6 4"), ("low_998", ""), ("high_998", "")):
        places = [(x.at(row["n"]), y.at(row[side])) for row in lines]
        plot.paths.append(Path(places, "#555555", dash, 1.4))
    target = y.at(lines[0]["target"])
    plot.paths.append(Path([(_LEFT, target), (_RIGHT, target)], "#000000", "", 1.0))
    for row in shown:
        outside = row["outside_998"]
        words = f"{row['site']}: {100 * row['share']:.1f} % of {row['n']}"
        colour = "#d55e00" if outside else "#0072b2"
        plot.dots.append(Dot(x.at(row["n"]), y.at(row["share"]), words, "diamond" if outside else "round", colour))
    _funnel_legend(plot)
    return plot


def _funnel_legend(plot: Plot) -> None:
    for at, (words, dash) in enumerate((("95 % limits", "6 4"), ("99.8 % limits", ""))):
        left = _LEFT + at * 150
        plot.paths.append(Path([(left, _FLOOR + 64), (left + 34, _FLOOR + 64)], "#555555", dash, 1.4))
        plot.labels.append(Label(left + 40, _FLOOR + 69, words))
    plot.dots.append(Dot(_LEFT + 12, _FLOOR + 84, "", "diamond", "#d55e00"))
    plot.labels.append(Label(_LEFT + 40, _FLOOR + 89, "site outside of the 99.8 % limits"))


def _by_site(
    rows: Sequence[Row], key: str, title: str, axis: str, columns: tuple[str, str, str], shown: Any
) -> Plot | None:
    """Every site as a dot with an interval, from the lowest to the highest."""
    low, middle, high = columns
    listed = sorted((row for row in rows if row[middle] is not None), key=lambda row: (row[middle], row["site"]))
    if not listed:
        return None
    most = max(row[high] for row in listed)
    step = next(step for step in (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 100.0) if most / step <= 6)
    top = step * -(-most // step)
    ticks = tuple(round(step * at, 4) for at in range(round(top / step) + 1))
    y = Axis(axis, 0.0, top, _FLOOR, _TOP, ticks, shown)
    x = Axis("Sites, from the lowest to the highest", 0.0, float(len(listed) + 1), _LEFT, _RIGHT, ())
    told = f"{len(listed)} sites, from {shown(round(listed[0][middle], 2))} to {shown(round(listed[-1][middle], 2))}."
    plot = Plot(key, title, told, 290.0, x, y)
    for at, row in enumerate(listed, start=1):
        plot.paths.append(Path([(x.at(at), y.at(row[low])), (x.at(at), y.at(row[high]))], "#555555", "", 1.0))
        words = f"{row['site']}: {shown(round(row[middle], 2))}"
        plot.dots.append(Dot(x.at(at), y.at(row[middle]), words))
    return plot


def _histogram(rows: Sequence[Row]) -> Plot | None:
    """Courses by the share of their time in the working range."""
    counted = [row for row in rows if row["courses"]]
    if not counted:
        return None
    most = max(row["courses"] for row in counted)
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000, 10**9) if most / s <= 6)
    ticks = tuple(float(step * at) for at in range(-(-most // step) + 1))
    x = Axis("Share of the time with bands in the working range", 0.0, 1.0, _LEFT, _RIGHT, _SHARES, percent)
    y = Axis("Courses", 0.0, ticks[-1], _FLOOR, _TOP, ticks)
    fullest = max(counted, key=lambda row: row["courses"])
    told = f"Most courses spent {percent(fullest['from'])} to {percent(fullest['to'])} of their time in range."
    plot = Plot("working-range", "Time in the working range, by course", told, 300.0, x, y)
    for row in counted:
        left, right = x.at(row["from"]), x.at(row["to"])
        words = f"{percent(row['from'])} to {percent(row['to'])}: {row['courses']} courses"
        plot.dots.append(Dot(left + 2, y.at(row["courses"]), words, "bar", "#0072b2", _FLOOR, right - left - 4))
    return plot
