"""A course in single lines, the same on page and sheet."""

from collections.abc import Sequence

from service.clinic.bands import BandState
from service.report.labels import NO_FIGURE, away, figure, isolated, label, percent, reading
from service.report.story import CourseStory
from service.report.texts import _, plural


def patient_line(story: CourseStory) -> str:
    """Who the patient is, as far as was charted: name, birth date, identifier."""
    patient = story.course.patient
    name = ", ".join(part for part in (patient.family, " ".join(patient.given or ())) if part)
    born = _("born {day}").format(day=patient.birth_date.isoformat()) if patient.birth_date else ""
    return " · ".join(part for part in (isolated(name), born, isolated(patient.identifier.value)) if part)


def wound_line(story: CourseStory) -> str:
    """The wound in one line."""
    wound = story.course.wound
    place = " ".join(label(part) for part in (wound.laterality, wound.body_site) if part)
    told = _("{place}, {cause}, {length} long, stations from the {end} end")
    return told.format(
        place=place, cause=label(wound.cause), length=reading(wound.length_mm), end=label(wound.reference_end)
    )


def reset_line(story: CourseStory) -> str:
    """The next reset in one line."""
    due = story.summary.next_reset
    if due is None:
        return _("No reset is due.")
    told = _("Next reset {at} ({away}, {status}): {reason}; {bands}.")
    return told.format(
        at=story.local.at(due.due_at),
        away=away(due.due_at - story.now),
        status=label(due.status(story.now)),
        reason=label(due.reason),
        bands=bands_named(due.bands),
    )


def bands_named(bands: Sequence[int]) -> str:
    """`band 2`, `bands 1, 3`."""
    listed = ", ".join(map(str, bands))
    return plural("band {listed}", "bands {listed}", len(bands)).format(listed=listed)


def assessment(story: CourseStory) -> list[str]:
    """What the readings say, a line each."""
    summary = story.summary
    said = []
    if (gap := summary.gap) is not None:
        told = _("Widest gap {gap} at station {station}, open area {area} ({method}), read {at}.")
        said.append(
            told.format(
                gap=reading(gap.max_gap_mm),
                station=reading(gap.widest_station_mm),
                area=figure("open_area_cm2", gap.open_area_cm2),
                method=label(gap.area_method),
                at=story.local.at(gap.at),
            )
        )
        said.append(_("Closed of the first gap: {closed}.").format(closed=percent(gap.closure_fraction)))
    if summary.gap_absent_reason is not None:
        said.append(_("The latest check measured no gaps: {why}").format(why=isolated(summary.gap_absent_reason)))
    rate = summary.rate
    if rate.mm_per_day is not None:
        shown = figure("closure_rate_mm_per_day", rate.mm_per_day)
        said.append(_("Closure rate {rate} (positive is closing).").format(rate=shown))
    said.append(forecast_line(story))
    if summary.share_in_range is not None:
        said.append(_("Bands in range, of those read: {share}.").format(share=percent(summary.share_in_range)))
    if summary.perfusion_difference_mmhg is not None and summary.perfusion_at is not None:
        told = _("Diastolic less compartment pressure {figure}, {at}.")
        value = figure("perfusion_difference_mmhg", summary.perfusion_difference_mmhg)
        said.append(told.format(figure=value, at=story.local.at(summary.perfusion_at)))
    return said


def forecast_line(story: CourseStory) -> str:
    """When the gap may be closable, with its interval, or why nothing is said about it."""
    ahead = story.summary.forecast
    if ahead.absent_reason is not None:
        return _("No forecast: {why}.").format(why=label(ahead.absent_reason))
    if ahead.closable_at_median is None:
        return _("Forecast: open-ended, beyond {days} days.").format(days=story.policy.horizon_days)
    late = story.local.at(ahead.closable_at_p95) if ahead.closable_at_p95 else label("open-ended")
    early = story.local.at(ahead.closable_at_p05) if ahead.closable_at_p05 else label("open-ended")
    told = _("Forecast: closable {middle}, between {early} and {late} with a chance of 90 %. A forecast is no promise.")
    return told.format(middle=story.local.at(ahead.closable_at_median), early=early, late=late)


def plan_cells(band: BandState) -> list[str]:
    """Band, station, rest mark, mark read, stretch, state, target mark, draw."""
    target = NO_FIGURE if band.target_mark_mm is None else figure("target_mark_mm", band.target_mark_mm)
    draw = NO_FIGURE if band.draw_mm is None else figure("draw_mm", band.draw_mm)
    read = (reading(band.rest_mark_mm), reading(band.mark_mm), figure("stretch_ratio", band.stretch_ratio))
    return [str(band.band), reading(band.station_mm), *read, label(band.state), target, draw]
