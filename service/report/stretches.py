"""The stretch of each band over time, a strip a band, against the working range."""

from datetime import timedelta
from itertools import pairwise

from service.clinic.bands import ABOVE_MAXIMUM, BELOW_RANGE, BandState, band_condition
from service.report.drawing import Dot, Drawing, Line, Words, rectangle, triangle
from service.report.labels import figure, label, rounded
from service.report.scales import Scale, TimeScale, roomy
from service.report.story import CourseStory, MarkRead
from service.report.texts import _

WIDTH, ROW, HEAD, FOOT = 720.0, 46.0, 30.0, 40.0
LEFT, RIGHT = 84.0, 596.0
SHORTEST = timedelta(hours=12)


def stretches(story: CourseStory) -> Drawing | None:
    """The drawing; None while no band is in place."""
    bands = story.summary.bands
    if not bands or not story.marks:
        return None
    drawn = Drawing(WIDTH, HEAD + ROW * len(bands) + FOOT, _("Stretch ratio of each band over time"), _described(story))
    times = _times(story)
    low, high = story.policy.stretch_low, story.policy.stretch_high
    drawn.add(Words(LEFT, 16, _("Working range {low} to {high}, shaded").format(low=f"{low:f}", high=f"{high:f}"), 12))
    drawn.add(Words(RIGHT + 12, 16, _("latest"), 12, bold=True))
    for place, band in enumerate(bands):
        _strip(drawn, times, story, band, HEAD + ROW * place)
    bottom = HEAD + ROW * len(bands)
    for midnight in times.midnights(story.local.zone):
        x = times.place(midnight)
        drawn.add(Line(x, HEAD, x, bottom, "line", 0.5, (2, 3)))
        drawn.add(Words(x, bottom + 16, f"{midnight.day} {midnight:%b}", 12, "middle"))
    drawn.add(
        Words(
            LEFT,
            bottom + 32,
            _("Full dots are settings. Days begin at midnight, {zone}").format(zone=story.local.zone.key),
            11,
        )
    )
    return drawn


def _described(story: CourseStory) -> str:
    said = [
        f"{band.band}: {figure('stretch_ratio', band.stretch_ratio)} ({label(band.state)})"
        for band in story.summary.bands
    ]
    return _("Latest stretch ratio by band: {said}.").format(said="; ".join(said))


def _times(story: CourseStory) -> TimeScale:
    return roomy(story.marks[0].at, story.marks[-1].at, LEFT, RIGHT, SHORTEST)


def _strip(drawn: Drawing, times: TimeScale, story: CourseStory, band: BandState, top: float) -> None:
    low, high = float(story.policy.stretch_low), float(story.policy.stretch_high)
    marks = story.marks_of(band.band)
    values = [float(mark.stretch_ratio) for mark in marks]
    least, most = min([*values, low]) - 0.1, max([*values, high]) + 0.1
    scale = Scale(least, most, top + ROW - 4, top + 4)
    drawn.add(rectangle(LEFT, scale.place(high), RIGHT - LEFT, scale.place(low) - scale.place(high), "range"))
    drawn.add(Words(LEFT - 12, top + ROW / 2 + 5, _("Band {band}").format(band=band.band), 13, "end", True))
    for one, after in pairwise(marks):
        ends = (times.place(one.at), scale.place(float(one.stretch_ratio)))
        drawn.add(Line(*ends, times.place(after.at), scale.place(float(after.stretch_ratio)), "mark", 1.6))
    for mark in marks:
        _dot(drawn, times, scale, mark, story)
    told = "–" if band.stretch_ratio is None else rounded("stretch_ratio", band.stretch_ratio)
    out = band.state in (ABOVE_MAXIMUM, BELOW_RANGE)
    drawn.add(Words(RIGHT + 12, top + ROW / 2 + (0 if out else 5), told, 13, bold=True))
    if out:
        drawn.add(Words(RIGHT + 12, top + ROW / 2 + 14, label(band.state), 11, fill="look"))


def _dot(drawn: Drawing, times: TimeScale, scale: Scale, mark: MarkRead, story: CourseStory) -> None:
    x, y = times.place(mark.at), scale.place(float(mark.stretch_ratio))
    condition = band_condition(mark.stretch_ratio, story.policy)
    if condition in (ABOVE_MAXIMUM, BELOW_RANGE):
        drawn.add(triangle(x, y, 5, condition == ABOVE_MAXIMUM, "look", "look" if mark.setting else "paper"))
    else:
        drawn.add(Dot(x, y, 3.5, "mark", "mark" if mark.setting else "paper", 1.5))
