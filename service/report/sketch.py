"""The wound drawn to scale from the latest readings: margins, bands at their stations, anchors set back.

What a band's state is says the mark at its upper anchor: a triangle upwards above the maximum, downwards below the
range, a cross where it was not read, a full dot in range. The figures stand beside it where there is room.
"""

from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from service.clinic.bands import ABOVE_MAXIMUM, BELOW_RANGE, NOT_READ, BandState
from service.clinic.gap import STATIONS_FOR_PROFILE, GapMetrics, closed_profile, ellipse_gap
from service.report.drawing import Dot, Drawing, Line, Path, Words, triangle
from service.report.labels import label, reading, rounded
from service.report.story import CourseStory
from service.report.texts import _

WIDTH, SIDE, HEAD, FOOT = 720.0, 44.0, 52.0, 76.0
TALLEST = 300.0
ELLIPSE_POINTS = 24
ROOM_FOR_RATIO, ROOM_FOR_NUMBER = 40.0, 17.0


@dataclass(frozen=True, slots=True)
class Ground:
    """Millimetres of the wound to places on paper, the same on both axes."""

    per_mm: float
    axis_y: float

    def x(self, station_mm: Decimal | float) -> float:
        """Where a station stands."""
        return SIDE + float(station_mm) * self.per_mm

    def half(self, width_mm: Decimal | float) -> float:
        """Half of a width, from the axis."""
        return float(width_mm) / 2 * self.per_mm


def sketch(story: CourseStory) -> Drawing | None:
    """The drawing; None before the first gap reading."""
    gap = story.gaps[-1] if story.gaps else None
    if gap is None:
        return None
    bands = story.summary.bands
    length, reach = story.course.wound.length_mm, _reach(gap, bands)
    per_mm = min((WIDTH - 2 * SIDE) / float(length), TALLEST / max(reach, 1.0))
    height = HEAD + reach * per_mm + FOOT
    ground = Ground(per_mm, HEAD + reach * per_mm / 2)
    drawn = Drawing(WIDTH, height, _("Wound drawn to scale"), _described(story, gap))
    _wound(drawn, ground, gap, length)
    spacing = _spacing(bands, ground)
    for place, band in enumerate(bands):
        if band.span_mm is not None:
            _band(drawn, ground, band, spacing, place)
    _ends(drawn, ground, story, gap)
    return drawn


def _described(story: CourseStory, gap: GapMetrics) -> str:
    wound = story.course.wound
    told = _("Length {length}, widest gap {gap} at station {station}.").format(
        length=reading(wound.length_mm), gap=reading(gap.max_gap_mm), station=reading(gap.widest_station_mm)
    )
    states = [f"{band.band} {label(band.state)}" for band in story.summary.bands]
    return f"{told} {_('Bands')}: {', '.join(states)}." if states else told


def _reach(gap: GapMetrics, bands: tuple[BandState, ...]) -> float:
    spans = [float(band.span_mm) for band in bands if band.span_mm is not None]
    return max(float(gap.max_gap_mm), *spans, 10.0)


def _spacing(bands: tuple[BandState, ...], ground: Ground) -> float:
    xs = [ground.x(band.station_mm) for band in bands]
    return min((b - a for a, b in pairwise(xs)), default=WIDTH)


def margin(gap: GapMetrics, length_mm: Decimal) -> list[tuple[Decimal, Decimal]]:
    """(station, gap) along the wound as it is drawn: the measured profile, or the ellipse of one or two stations."""
    if len(gap.readings) >= STATIONS_FOR_PROFILE:
        return closed_profile(gap.readings, length_mm)
    stations = [length_mm * part / ELLIPSE_POINTS for part in range(ELLIPSE_POINTS + 1)]
    return [(station, ellipse_gap(station, gap.max_gap_mm, length_mm)) for station in stations]


def _wound(drawn: Drawing, ground: Ground, gap: GapMetrics, length_mm: Decimal) -> None:
    along = margin(gap, length_mm)
    upper = [(ground.x(s), ground.axis_y - ground.half(w)) for s, w in along]
    lower = [(ground.x(s), ground.axis_y + ground.half(w)) for s, w in reversed(along)]
    dash = () if len(gap.readings) >= STATIONS_FOR_PROFILE else (5.0, 3.0)  # estimated margins are broken lines
    drawn.add(Path((*upper, *lower), "ink", 1.4, "wound", closed=True, dash=dash))
    drawn.add(Line(ground.x(0), ground.axis_y, ground.x(length_mm), ground.axis_y, "line", 0.6, (3, 3)))
    for station, _gap in gap.readings:
        drawn.add(Line(ground.x(station), ground.axis_y - 4, ground.x(station), ground.axis_y + 4, "line", 1))


def _band(drawn: Drawing, ground: Ground, band: BandState, spacing: float, place: int) -> None:
    assert band.span_mm is not None, "drawn only with a span"
    x, half = ground.x(band.station_mm), ground.half(band.span_mm)
    top, bottom = ground.axis_y - half, ground.axis_y + half
    read = band.state != NOT_READ
    out = band.state in (ABOVE_MAXIMUM, BELOW_RANGE)
    stroke = "look" if out else "mark"
    drawn.add(Line(x, top, x, bottom, stroke, 2.6 if out else 2.0, () if read else (2, 4)))
    drawn.add(Dot(x, bottom, 3, "ink", "ink"))
    _state(drawn, x, top, band.state)
    if spacing >= ROOM_FOR_NUMBER or place % (1 + int(ROOM_FOR_NUMBER // max(spacing, 1))) == 0:
        drawn.add(Words(x, bottom + 18, str(band.band), 13, "middle", True))
    if spacing >= ROOM_FOR_RATIO and band.stretch_ratio is not None:
        drawn.add(Words(x, top - 10, rounded("stretch_ratio", band.stretch_ratio), 12, "middle", out))


def _state(drawn: Drawing, x: float, y: float, state: str) -> None:
    """The mark that tells a state."""
    if state == ABOVE_MAXIMUM:
        drawn.add(triangle(x, y, 6, True, "look", "look"))
    elif state == BELOW_RANGE:
        drawn.add(triangle(x, y, 6, False, "look", "paper"))
    elif state == NOT_READ:
        drawn.add(Line(x - 4, y - 4, x + 4, y + 4, "ink", 1.6), Line(x - 4, y + 4, x + 4, y - 4, "ink", 1.6))
    else:
        drawn.add(Dot(x, y, 3, "ink", "ink"))


def _ends(drawn: Drawing, ground: Ground, story: CourseStory, gap: GapMetrics) -> None:
    wound = story.course.wound
    y = ground.axis_y
    drawn.add(Words(ground.x(0) - 8, y + 4, "0", 13, "end", True))
    drawn.add(Words(ground.x(wound.length_mm) + 8, y + 4, f"{wound.length_mm:f}", 13, "start", True))
    told = _("Station 0 is the {end} end. Gaps read {at}.").format(
        end=label(wound.reference_end), at=story.local.at(gap.at)
    )
    drawn.add(Words(SIDE, 16, told, 12))
    _bar(drawn, ground)
    _legend(drawn)


def _bar(drawn: Drawing, ground: Ground) -> None:
    length = next((mm for mm in (100, 50, 20, 10, 5, 2) if mm * ground.per_mm <= 170), 2)
    y = drawn.height - 34
    drawn.add(Line(SIDE, y, SIDE + length * ground.per_mm, y, "ink", 2.4))
    drawn.add(Words(SIDE + length * ground.per_mm + 8, y + 4, f"{length} mm", 12))


def _legend(drawn: Drawing) -> None:
    y = drawn.height - 12
    entries = ("in-range", BELOW_RANGE, ABOVE_MAXIMUM, NOT_READ)
    for place, state in enumerate(entries):
        x = SIDE + 6 + place * 150
        _state(drawn, x, y - 4, state)
        drawn.add(Words(x + 12, y, label(state), 12))
