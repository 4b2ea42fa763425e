"""`deliveries`: what waits, what is held and why; a person redrives or skips it, with a reason on record."""

import getpass
import sys
from datetime import UTC, datetime
from textwrap import wrap
from typing import Any

from service import strict_json
from service.config import settings_from
from service.search.dates import instant, microseconds
from service.store import open_store
from service.store.destination_rows import Decision, list_decisions, note_decision
from service.store.outbox_rows import (
    HELD,
    SKIPPED,
    STATES,
    WAITING,
    OutboxRow,
    find_row,
    held_courses,
    list_rows,
    release_held,
    standings,
)
from service.store.writing import WriteUnit

# Of the other server's words in the listing: characters at most, and how the lines are set.
SHOWN, WIDTH, INDENT = 600, 110, "    "


def show_deliveries(site: str | None, destination: str | None, states: list[str], limit: int, as_json: bool) -> int:
    """Print the counts of each destination, then rows of the outbox, newest first; 2 for a state that is none."""
    if strange := [each for each in states if each not in STATES]:
        print(f"{strange[0]} is no state; states are {', '.join(STATES)}", file=sys.stderr)
        return 2
    settings = settings_from()
    store = open_store(settings.database_url, settings.synchronous)
    try:
        store.ready()
        with store.read(site or settings.site) as reading:
            rows = list_rows(reading.connection, reading.site, states=states, destination=destination, limit=limit)
            counts = [each._asdict() for each in standings(reading.connection, reading.site)]
            decisions = [each._asdict() for each in list_decisions(reading.connection, reading.site, destination)]
    finally:
        store.close()
    views = [_view(row) for row in rows]
    if as_json:
        document = {"destinations": counts, "deliveries": views, "decisions": decisions}
        sys.stdout.buffer.write(strict_json.write(document) + b"\n")
        return 0
    for each in counts:
        print(
            f"{each['destination']}: {each['waiting']} waiting, {each['held']} held in {each['courses_held']} courses"
        )
    for view in views:
        print(_told(view))
    if not views:
        print("No such delivery.")
    return 0


def _told(view: dict[str, Any]) -> str:
    """A delivery in a line, and in further ones what the server said, as far as a person reads."""
    settled = f", {view['state']} {view['settled_at']}" if view["settled_at"] else f", {view['state']}"
    lines = [f"{view['id']}  {view['destination']}  {view['course_id']}: queued {view['queued_at']}{settled}"]
    words = " ".join((view["refusal"] or "").split())
    shown = words if len(words) <= SHOWN else f"{words[:SHOWN]} ... (all of it with --json)"
    return "\n".join([*lines, *wrap(shown, WIDTH, initial_indent=INDENT, subsequent_indent=INDENT)])


def decide(
    what: str, site: str | None, number: int | None, destination: str | None, reason: str, by: str | None
) -> int:
    """Redrive or skip the held course of a delivery, or of a destination all that are held; keeps who and why."""
    if not reason.strip():
        print("refused: a reason is needed", file=sys.stderr)
        return 1
    settings = settings_from()
    store = open_store(settings.database_url, settings.synchronous)
    try:
        store.ready()
        with store.write(site or settings.site, datetime.now(UTC)) as unit:
            return _decide(unit, what, number, destination, reason.strip(), by or getpass.getuser())
    finally:
        store.close()


def _decide(unit: WriteUnit, what: str, number: int | None, destination: str | None, reason: str, by: str) -> int:
    courses = _courses(unit, number, destination)
    now = microseconds(unit.now)
    state = WAITING if what == "redrive" else SKIPPED
    done = 0
    for name, course_id in courses:
        before = release_held(unit.connection, unit.site, name, course_id, state, now)
        note_decision(unit.connection, unit.site, Decision(0, name, what, course_id, before, by, reason, now))
        done += before
    if not courses:
        print("refused: nothing is held there", file=sys.stderr)
        return 1
    print(f"{done} writes of {len(courses)} courses {'wait again' if what == 'redrive' else 'are left out'}")
    return 0


def _courses(unit: WriteUnit, number: int | None, destination: str | None) -> list[tuple[str, str]]:
    """Destination and course of what is meant: what was refused together goes on together."""
    if number is not None:
        row = find_row(unit.connection, unit.site, number)
        return [(row.destination, row.course_id)] if row is not None and row.state == HELD else []
    if destination is not None:
        return [(destination, course_id) for course_id in held_courses(unit.connection, unit.site, destination)]
    return []


def _view(row: OutboxRow) -> dict[str, Any]:
    return {
        "id": row.number,
        "destination": row.destination,
        "course_id": row.course_id,
        "state": row.state,
        "queued_at": instant(row.queued_at),
        "settled_at": None if row.settled_at is None else instant(row.settled_at),
        "refusal": row.refusal,
    }
