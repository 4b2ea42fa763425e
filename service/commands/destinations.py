"""`destinations`: which servers of the hospital get the data, and how. Nothing need be started again."""

import getpass
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from service import strict_json
from service.config import settings_from
from service.delivery.capabilities import Findings, reach_peer, read_capabilities
from service.delivery.destination import MESSAGES, Destination, checked, destination_of, row_values
from service.delivery.faults import DeliveryFault, DestinationFault
from service.delivery.translations import read_translations
from service.search.dates import instant, microseconds
from service.store import Store, open_store
from service.store.destination_rows import (
    Decision,
    DestinationRow,
    change_destination,
    find_destination,
    insert_destination,
    list_destinations,
    note_decision,
    remove_destination,
)
from service.store.outbox_rows import drop_all, queue_everything, standings
from service.store.writing import WriteUnit
from service.terminology.tables import TerminologyFault, folder_of_tables

CHECK_TIMEOUT_S = 30.0
FILES = ("secret_file", "ca_file")


def add_destination(destination: Destination, backfill: bool) -> int:
    """Add a destination; with `backfill` everything charted so far waits for it too."""
    secret, trust = _whole_path(destination.secret_file), _whole_path(destination.ca_file)
    destination = replace(destination, secret_file=secret, ca_file=trust)

    def add(unit: WriteUnit) -> int:
        if find_destination(unit.connection, unit.site, destination.name) is not None:
            raise DestinationFault(f"{destination.name} is there already: change it, or remove it first")
        insert_destination(unit.connection, DestinationRow(added_at=microseconds(unit.now), **row_values(destination)))
        queued = queue_everything(unit, destination.name) if backfill else 0
        print(f"{destination.name} added; {queued} courses wait for it" if backfill else f"{destination.name} added")
        return 0

    return _written(destination.site, lambda unit: add(unit) if _usable(destination) else 1)


def change(site: str, name: str, given: dict[str, Any]) -> int:
    """Set some settings otherwise; those not given stay."""

    def set_otherwise(unit: WriteUnit) -> int:
        before = destination_of(_found(unit, name))
        values = {key: value for key, value in given.items() if value is not None}
        values |= {name: _whole_path(values[name]) for name in FILES if name in values}
        after = replace(before, **values)
        _usable(after)
        kept = {key: value for key, value in row_values(after).items() if key not in ("site", "name", "paused")}
        # Whoever mends the settings wants to see at once whether it helped.
        change_destination(unit.connection, unit.site, name, kept | {"next_at": 0, "failures": 0, "fault": ""})
        print(f"{name} changed")
        return 0

    return _written(site, set_otherwise)


def pause(site: str, name: str, paused: bool) -> int:
    """Send nothing more to a destination, or go on; what is written meanwhile waits."""

    def set_paused(unit: WriteUnit) -> int:
        _found(unit, name)
        values = {"paused": paused} | ({} if paused else {"next_at": 0, "failures": 0, "fault": ""})
        change_destination(unit.connection, unit.site, name, values)
        print(f"{name} {'is paused' if paused else 'goes on'}")
        return 0

    return _written(site, set_paused)


def remove(site: str, name: str, force: bool, reason: str | None, by: str | None) -> int:
    """Forget a destination; refused while rows wait, unless forced with a reason, which is kept."""

    def forget(unit: WriteUnit) -> int:
        _found(unit, name)
        now = microseconds(unit.now)
        (standing,) = [each for each in standings(unit.connection, unit.site) if each.destination == name]
        open_rows = standing.waiting + standing.held
        if open_rows and not (force and reason and reason.strip()):
            told = f"{open_rows} writes are not delivered to {name}: give --force and --reason to drop them"
            raise DestinationFault(told)
        dropped = drop_all(unit.connection, unit.site, name, now)
        remove_destination(unit.connection, unit.site, name)
        decision = Decision(0, name, "remove", None, dropped, by or getpass.getuser(), reason or "", now)
        note_decision(unit.connection, unit.site, decision)
        print(f"{name} removed; {dropped} writes dropped")
        return 0

    return _written(site, forget)


def show_destinations(site: str | None, as_json: bool) -> int:
    """Print every destination with what waits for it."""
    with _store() as store, store.read(site or settings_from().site) as reading:
        rows = list_destinations(reading.connection, site)
        standing = {(each.site, each.destination): each for each in standings(reading.connection, site)}
    views = [_view(row) | _counts(standing[row.site, row.name]) for row in rows]
    if as_json:
        sys.stdout.buffer.write(strict_json.write(views) + b"\n")
        return 0
    for view in views:
        print(_told(view))
    if not views:
        print("There is no destination.")
    return 0


def _told(view: dict[str, Any]) -> str:
    """A destination in a few lines: a table of so many columns is read by nobody."""
    how = [f"writing {view['writing']}", f"patients {view['patients']}", f"sign-in {view['sign_in']}"]
    if view["writing"] == MESSAGES:
        named = "/".join(filter(None, (view["receiving_application"], view["receiving_facility"])))
        how = ["ORU^R01", *([f"to {named}"] if named else []), f"processing {view['processing_id']}"]
    how += [f"{view['per_minute']} a minute"] if view["per_minute"] else []
    how += [f"only {view['types']}"] if view["types"] else []
    stands = [f"{view['waiting']} waiting" + (f" since {view['oldest_at']}" if view["oldest_at"] else "")]
    stands.append(f"{view['held']} held in {view['courses_held']} courses")
    lines = [f"{view['name']} of {view['site']}{', paused' if view['paused'] else ''}: {view['url']}"]
    lines += [f"    {', '.join(how)}", f"    {', '.join(stands)}"]
    if view["fault"]:
        lines.append(f"    does not answer as it should: {view['fault']} ({view['failures']} times in a row)")
    return "\n".join(lines)


def check_destination(site: str, name: str) -> int:
    """Ask the other server what it takes; 1 when it would refuse what we send."""
    settings = settings_from()
    try:
        with _store() as store, store.read(site) as reading:
            destination = destination_of(_found(reading, name))
        translations = read_translations(settings.mappings or folder_of_tables(), site, name)
        found = _asked(checked(destination))
    except (DeliveryFault, TerminologyFault) as fault:
        return _refused(fault)
    for line in found.notes:
        print(line)
    if translations:
        print("codes.csv of the site is sound and has rows for it")
    for line in found.problems:
        print(f"problem: {line}")
    if found.proposal:
        print(f"proposed: closure-readings destinations change {name} --site {site} {found.proposal}")
    return 1 if found.problems else 0


def _asked(destination: Destination) -> Findings:
    if destination.by_message:
        return reach_peer(destination, CHECK_TIMEOUT_S)
    return read_capabilities(destination, CHECK_TIMEOUT_S, lambda: datetime.now(UTC))


def _written(site: str, work: Callable[[WriteUnit], int]) -> int:
    """One write of the site; 1 with the reason where it is refused, and then nothing is written."""
    try:
        with _store() as store, store.write(site, datetime.now(UTC)) as unit:
            return work(unit)
    except (DeliveryFault, TerminologyFault) as fault:
        return _refused(fault)


def _whole_path(path: str) -> str:
    """The same file for a process that runs in another folder."""
    return str(Path(path).absolute()) if path else ""


def _usable(destination: Destination) -> bool:
    checked(destination)
    read_translations(settings_from().mappings or folder_of_tables(), destination.site, destination.name)
    return True


def _found(unit: Any, name: str) -> DestinationRow:
    row = find_destination(unit.connection, unit.site, name)
    if row is None:
        raise DestinationFault(f"site {unit.site} has no destination {name}")
    return row


@contextmanager
def _store() -> Iterator[Store]:
    """The configured database, brought to this version's tables."""
    settings = settings_from()
    store = open_store(settings.database_url, settings.synchronous)
    try:
        store.migrate()
        yield store
    finally:
        store.close()


def _view(row: DestinationRow) -> dict[str, Any]:
    kept = row._asdict()
    del kept["next_at"]
    return kept | {"added_at": instant(row.added_at)}


def _counts(standing: Any) -> dict[str, Any]:
    oldest = standing.oldest_at
    return {
        "waiting": standing.waiting,
        "oldest_at": None if oldest is None else instant(oldest),
        "held": standing.held,
        "courses_held": standing.courses_held,
    }


def _refused(fault: Exception) -> int:
    print(f"refused: {fault}", file=sys.stderr)
    return 1
