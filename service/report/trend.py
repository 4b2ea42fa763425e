"""The trend of a course: widest gap and open area over time, with settings of bands and the forecast."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from service.clinic.gap import GapMetrics
from service.report.drawing import Dot, Drawing, Line, Path, Words, rectangle
from service.report.labels import figure, rounded
from service.report.scales import Scale, TimeScale, roomy, ticks, upward
from service.report.story import CourseStory
from service.report.texts import _

WIDTH, HEIGHT = 720.0, 400.0
LEFT, RIGHT = 52.0, 700.0
GAP_TOP, GAP_BOTTOM = 30.0, 208.0
AREA_TOP, AREA_BOTTOM = 260.0, 342.0
SETTINGS_Y = 222.0
SHORTEST = timedelta(hours=12)


def trend(story: CourseStory) -> Drawing | None:
    """The drawing; None before the first gap reading."""
    if not story.gaps:
        return None
    drawn = Drawing(WIDTH, HEIGHT, _("Trend of the widest gap and the open area"), _described(story))
    times = _times(story)
    gap = upward(max(float(one.max_gap_mm) for one in story.gaps), GAP_BOTTOM, GAP_TOP)
    area = upward(max(float(one.open_area_cm2) for one in story.gaps), AREA_BOTTOM, AREA_TOP)
    _panel(drawn, gap, _("Widest gap, mm"), GAP_TOP)
    _panel(drawn, area, _("Open area, cm²"), AREA_TOP)
    _days(drawn, times, story)
    _goal(drawn, gap, story)
    _forecast(drawn, times, gap, story)
    _settings(drawn, times, story)
    _series(drawn, times, gap, [(one, float(one.max_gap_mm)) for one in story.gaps], "max_gap_mm")
    _series(drawn, times, area, [(one, float(one.open_area_cm2)) for one in story.gaps], "open_area_cm2")
    _legend(drawn)
    return drawn


def _described(story: CourseStory) -> str:
    first, last = story.gaps[0], story.gaps[-1]
    told = _("{count} gap readings, from {first} on {first_at} to {last} on {last_at}.").format(
        count=len(story.gaps),
        first=figure("max_gap_mm", first.max_gap_mm),
        first_at=story.local.at(first.at),
        last=figure("max_gap_mm", last.max_gap_mm),
        last_at=story.local.at(last.at),
    )
    middle = story.summary.forecast.closable_at_median
    if middle is not None:
        told += " " + _("Closable by {at} with a chance of one half.").format(at=story.local.at(middle))
    return told


def _times(story: CourseStory) -> TimeScale:
    ahead = story.summary.forecast
    ends = [story.gaps[-1].at, *(entry.entry.at for entry in story.standing)]
    latest = story.gaps[-1].at
    if ahead.absent_reason is None:
        horizon = latest + max(latest - story.gaps[0].at, timedelta(days=1))
        known = [at for at in (ahead.closable_at_median, ahead.closable_at_p95) if at is not None]
        ends += [min(max(known, default=horizon), horizon)]
    return roomy(story.gaps[0].at, max(ends), LEFT, RIGHT, SHORTEST)


def _panel(drawn: Drawing, scale: Scale, name: str, top: float) -> None:
    for value in ticks(scale.low, scale.high):
        y = scale.place(value)
        drawn.add(Line(LEFT, y, RIGHT, y, "line", 0.5))
        drawn.add(Words(LEFT - 6, y + 4, f"{value:g}", 12, "end"))
    drawn.add(Words(LEFT, top - 15, name, 13, bold=True))


def _days(drawn: Drawing, times: TimeScale, story: CourseStory) -> None:
    zone = story.local.zone
    for midnight in times.midnights(zone):
        x = times.place(midnight)
        for top, bottom in ((GAP_TOP, GAP_BOTTOM), (AREA_TOP, AREA_BOTTOM)):
            drawn.add(Line(x, top, x, bottom, "line", 0.5, (2, 3)))
        drawn.add(Words(x, AREA_BOTTOM + 16, f"{midnight.day} {midnight:%b}", 12, "middle"))
    drawn.add(Words(LEFT, AREA_BOTTOM + 32, _("Days begin at midnight, {zone}").format(zone=zone.key), 11))


def _goal(drawn: Drawing, gap: Scale, story: CourseStory) -> None:
    closable = story.policy.closable_gap_mm
    y = gap.place(float(closable))
    drawn.add(Line(LEFT, y, RIGHT, y, "mark", 1, (6, 3)))
    told = _("closable at {gap} mm or less").format(gap=f"{closable:f}")
    drawn.add(Words(LEFT + 4, y - 4, told, 11))


def _forecast(drawn: Drawing, times: TimeScale, gap: Scale, story: CourseStory) -> None:
    """A wedge from the latest reading to the early and the late end, and a tick at the middle."""
    ahead = story.summary.forecast
    comparable = [one for one in story.gaps if one.comparable]
    if ahead.absent_reason is not None or not comparable:
        return
    start = (times.place(comparable[-1].at), gap.place(float(comparable[-1].max_gap_mm)))
    y = gap.place(float(story.policy.closable_gap_mm))
    early = times.place(ahead.closable_at_p05) if ahead.closable_at_p05 else RIGHT
    late = _late_end(times, start[1], y, comparable[-1].at, ahead.closable_at_p95)
    drawn.add(Path((start, (early, y), *late), fill="range", stroke="mark", width=0.8, closed=True, dash=(3, 3)))
    if ahead.closable_at_median is not None:
        x = times.place(ahead.closable_at_median)
        drawn.add(Line(*start, x, y, "mark", 1.2, (5, 4)), Line(x, y - 7, x, y + 7, "mark", 2.4))
        drawn.add(
            Words(min(x, RIGHT - 60), y - 26, story.local.short(ahead.closable_at_median), 11, "middle", bold=True)
        )


def _late_end(
    times: TimeScale, y_now: float, y_goal: float, since: datetime, p95: datetime | None
) -> tuple[tuple[float, float], ...]:
    """How the wedge goes on from its early end: to the late end at the closable gap, or off the paper before it."""
    if p95 is not None and p95 <= times.last:
        return ((times.place(p95), y_goal),)
    share = 0.0 if p95 is None else (times.last - since) / (p95 - since)  # open-ended: its upper edge stays level
    return ((RIGHT, y_goal), (RIGHT, y_now + (y_goal - y_now) * share))


def _settings(drawn: Drawing, times: TimeScale, story: CourseStory) -> None:
    for entry in story.standing:
        if entry.entry.kind in ("installation", "reset"):
            x = times.place(entry.entry.at)
            letter = "I" if entry.entry.kind == "installation" else "R"
            drawn.add(
                Line(x, GAP_BOTTOM, x, GAP_BOTTOM - 8, "ink", 1.6), Words(x, SETTINGS_Y, letter, 12, "middle", True)
            )


def _series(
    drawn: Drawing, times: TimeScale, scale: Scale, series: Sequence[tuple[GapMetrics, float]], name: str
) -> None:
    """Comparable readings joined and full; others hollow and by themselves. First and last carry their figure."""
    joined = tuple((times.place(one.at), scale.place(value)) for one, value in series if one.comparable)
    if len(joined) > 1:
        drawn.add(Path(joined, "mark", 2.2))
    for one, value in series:
        fill = "mark" if one.comparable else "paper"
        drawn.add(Dot(times.place(one.at), scale.place(value), 4, "mark", fill, 1.6))
    for one, value in {id(item[0]): item for item in (series[0], series[-1])}.values():
        x = min(max(times.place(one.at), LEFT + 14), RIGHT - 16)
        drawn.add(Words(x, scale.place(value) - 9, rounded(name, getattr(one, name)), 12, "middle", True))


def _legend(drawn: Drawing) -> None:
    y = HEIGHT - 8
    drawn.add(Dot(LEFT + 6, y - 4, 4, "mark", "mark"), Words(LEFT + 16, y, _("reading"), 11))
    drawn.add(Dot(LEFT + 86, y - 4, 4, "mark", "paper", 1.6), Words(LEFT + 96, y, _("not comparable"), 11))
    drawn.add(rectangle(LEFT + 200, y - 11, 18, 10, "range", "mark"))
    drawn.add(Words(LEFT + 224, y, _("forecast, 5 to 95 %, tick at 50 %"), 11))
    drawn.add(Words(LEFT + 430, y, _("I installation, R reset"), 11))
