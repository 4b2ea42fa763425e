"""The hand-over sheet of a course as PDF: situation, background, assessment, what to watch, and a chart to write on.

Every figure is one of the course view, rounded as on the page. Nothing that was charted is left out for want of room:
the sheet goes on to a further page.
"""

from service.clinic.caution import CAUTION
from service.clinic.counts import ITEMS
from service.clinic.entries import Check, Installation
from service.clinic.wording import in_order_of_work
from service.report.course_lines import assessment, patient_line, plan_cells, reset_line, wound_line
from service.report.labels import NO_FIGURE, figure, isolated, label, reading, who
from service.report.printing import Sheet
from service.report.sketch import sketch
from service.report.story import CourseStory
from service.report.texts import _, later

LAST_CHECKS = 4
STATIONS_A_ROW = 8
LINE = "_______"
LONGEST_NOTE = 300


def hand_over_sheet(story: CourseStory) -> bytes:
    """The sheet as PDF; the same story gives the same bytes."""
    course = story.course
    title = _("Hand-over sheet, course {course}").format(course=course.course_id)
    printed = _("{title} · as of {at}").format(title=title, at=story.local.at(story.now))
    sheet = Sheet(title, printed)
    _head(sheet, story, title)
    _situation(sheet, story)
    _background(sheet, story)
    _assessment(sheet, story)
    _to_watch(sheet, story)
    if story.summary.device_in_place and story.summary.state == "open":
        sheet.next_page()
        _bands(sheet, story)
        _next_check(sheet, story)
    _counts(sheet, story)
    _contacts(sheet)
    if sheet.replaced:
        sheet.paragraph(
            _("A box stands for a character that cannot be printed here; the page of the course shows it."), 8
        )
    return sheet.finish()


def _head(sheet: Sheet, story: CourseStory, title: str) -> None:
    sheet.heading(title, 15)
    sheet.paragraph(patient_line(story), 11, bold=True)
    sheet.paragraph(f"{_('Caution.')} {CAUTION}", 8.5)


def _situation(sheet: Sheet, story: CourseStory) -> None:
    summary = story.summary
    sheet.heading(_("Situation"))
    sheet.paragraph(wound_line(story))
    device = label(summary.device_status) if summary.device_status else _("not charted since the installation")
    sheet.paragraph(_("Course {state}. Device: {device}.").format(state=label(summary.state), device=device))
    if summary.outcome is not None:
        sheet.paragraph(_("Outcome: {result}.").format(result=label(summary.outcome.result)), bold=True)
    sheet.paragraph(reset_line(story), bold=True)
    if summary.hold:
        held = _("Hold: skin signs are charted. No band is planned above its present stretch; surgeon to review.")
        sheet.paragraph(held, bold=True)


def _background(sheet: Sheet, story: CourseStory) -> None:
    sheet.heading(_("Background"))
    wound, placed = story.course.wound, story.summary.installation
    if wound.description:
        sheet.paragraph(isolated(wound.description))
    sheet.paragraph(_("Course opened {at}.").format(at=story.local.at(story.course.opened_at)))
    if placed is not None:
        told = _("Latest installation {at} by {who}: {bands} bands, {anchors} anchors a side, set back {setback}.")
        sheet.paragraph(
            told.format(
                at=story.local.at(placed.at),
                who=who(placed.performer),
                bands=len(placed.bands),
                anchors=placed.anchors_per_side,
                setback=reading(placed.setback_mm),
            )
        )
    _last_checks(sheet, story)


def _last_checks(sheet: Sheet, story: CourseStory) -> None:
    looked = [entry.entry for entry in story.standing if isinstance(entry.entry, Check | Installation)][-LAST_CHECKS:]
    gaps = {gap.entry_id: gap for gap in story.gaps}
    rows = [[_("Last checks"), _("Who"), _("Widest gap"), _("Open area"), _("Skin"), _("Pain")]]
    for entry in looked:
        gap = gaps.get(entry.entry_id)
        skin = ", ".join(label(sign) for sign in entry.skin or ()) if isinstance(entry, Check) else ""
        pain = f"{entry.pain_0_10} / 10" if isinstance(entry, Check) and entry.pain_0_10 is not None else NO_FIGURE
        widest = reading(gap.max_gap_mm) if gap else NO_FIGURE
        area = figure("open_area_cm2", gap.open_area_cm2) if gap else NO_FIGURE
        rows.append([story.local.at(entry.at), who(entry.performer), widest, area, skin or NO_FIGURE, pain])
    if len(rows) > 1:
        sheet.table((2.4, 1.8, 1.1, 1.1, 1.8, 0.8), rows)
    for entry in looked:
        if entry.note:
            note = entry.note if len(entry.note) <= LONGEST_NOTE else entry.note[:LONGEST_NOTE].rstrip() + " [...]"
            sheet.paragraph(_("Note of {at}: {note}").format(at=story.local.short(entry.at), note=isolated(note)), 8.5)


def _assessment(sheet: Sheet, story: CourseStory) -> None:
    sheet.heading(_("Assessment"))
    for line in assessment(story):
        sheet.paragraph(line)
    drawn = sketch(story)
    if drawn is not None:
        sheet.drawing(drawn, 165.0)


def _to_watch(sheet: Sheet, story: CourseStory) -> None:
    sheet.heading(_("What to watch"))
    if not story.summary.alerts:
        sheet.paragraph(_("No alert is active. That is no finding: look at the limb."))
    for alert in story.summary.alerts:
        since = _("since {at}").format(at=story.local.at(alert.since))
        sheet.paragraph(f"[{label(alert.severity)}] {story.local.told(alert.text)} ({since})")


def _bands(sheet: Sheet, story: CourseStory) -> None:
    """The plan of the next reset with room to write: one row a band, in order of work."""
    sheet.heading(_("Bands, in order of work from the middle outwards, and next check by hand"))
    sheet.paragraph(patient_line(story), bold=True)
    sheet.paragraph(reset_line(story))
    sheet.blank([_("Date and time"), _("Who")])
    due = story.summary.next_reset.bands if story.summary.next_reset else ()
    head = [_("Band"), _("Station"), _("Rest"), _("Last"), _("Stretch"), _("State"), _("Target"), _("Draw"), _("Due")]
    bands = in_order_of_work(story.summary.bands)
    rows = [[*plan_cells(band), _("due") if band.band in due else "", *[LINE] * 3] for band in bands]
    shares = (0.7, 1, 0.95, 1, 0.85, 1.4, 1, 0.9, 0.6, 0.95, 0.95, 0.95)
    sheet.table(shares, [[*head, _("Now"), _("Tail"), _("Set to")], *rows], 8.5)
    told = _("Rest, last, target, now and set to: reference marks in mm. Draw: unstretched band; negative is let out.")
    sheet.paragraph(told, 8.5)


def _counts(sheet: Sheet, story: CourseStory) -> None:
    sheet.heading(_("Counts"))
    rows = [[_("Item"), _("In"), _("Out"), _("Found"), _("Left on purpose"), _("Escalated"), _("Outstanding")]]
    for item in ITEMS:
        count = story.summary.counts.of(item)
        placed = _("not charted") if count.placed is None else str(count.placed)
        open_ = _("unknown") if count.outstanding is None else str(count.outstanding)
        told = (count.removed, count.found, count.left_on_purpose, count.unaccounted_escalated)
        rows.append([label(item), placed, *map(str, told), open_])
    sheet.table((1.2, 1, 1, 1, 1.4, 1, 1.2), rows)


def _contacts(sheet: Sheet) -> None:
    sheet.heading(_("Contacts"))
    sheet.blank([_("Treating surgeon"), _("On call tonight"), _("Ward"), _("Handed over to")])


def _next_check(sheet: Sheet, story: CourseStory) -> None:
    """The rest of a check, to be written on by hand, with the stations of this course."""
    sheet.heading(_("Gaps and the rest of the check"))
    stations = [reading(station) for station, _gap in story.gaps[-1].readings] if story.gaps else []
    for first in range(0, len(stations), STATIONS_A_ROW):
        some = stations[first : first + STATIONS_A_ROW]
        room = [""] * (STATIONS_A_ROW - len(some))
        rows = [[_("Station"), *some, *room], [_("Gap, mm"), *[LINE] * len(some), *room]]
        sheet.table((1, *[1] * STATIONS_A_ROW), rows)
        sheet.room()
    for line in _BY_HAND:
        sheet.paragraph(_(line), 9.5)
        sheet.room(4)
    sheet.blank([_("Note"), "", ""], columns=1)
    sheet.paragraph(f"{_('Caution.')} {CAUTION}", 8.5)


_BY_HAND = (
    later("Device: [ ] in place · [ ] partly in place · [ ] dislodged · [ ] removed"),
    later(
        "Skin: [ ] intact · [ ] blanching · [ ] blister · [ ] erosion · [ ] anchor pulling through · [ ] necrosis · "
        "[ ] signs of infection"
    ),
    later("Dressing: [ ] changed · pieces in ____ · out ____ · smallest side ____ mm · anchors covered [ ] yes [ ] no"),
    later("Anchors present ____ · Bands present ____ · Pain ____ / 10 · Mobilised [ ] yes [ ] no"),
    later("Vacuum therapy [ ] yes [ ] no · Next dressing change ____________"),
    later("Compartment pressure ____ mmHg · Diastolic pressure ____ mmHg"),
)
