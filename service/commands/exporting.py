"""`groups`, `registries`, `export-worker`: whose data may be exported to whom, and what writes the files."""

import secrets
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table
from sqlalchemy import Connection

from service import strict_json
from service.config import Settings, settings_from
from service.deidentify.pseudonyms import KeyFault, read_key
from service.deidentify.rules import MODES, RESEARCH
from service.registry.export.opening import export_worker
from service.search.dates import instant, microseconds
from service.store import export_rows as rows
from service.store import migrate_database
from service.store.client_rows import find_client
from service.store.export_reading import ExportDatabase, open_export_database

DECIDE = "whether data may be given away is decided by the data protection officer and the law of the place"


class _Refused(ValueError):
    pass


# Groups


def add_group(name: str, site: str | None) -> int:
    """Make a group of the site and print its id."""

    def work(connection: Connection, of: str, now: int) -> None:
        group_id = secrets.token_hex(8)
        rows.add_group(connection, of, group_id, name, now)
        print(group_id)

    return _changed(site, work)


def list_groups(site: str | None, as_json: bool) -> int:
    """Print the groups of the site."""
    with _opened() as (database, settings), database.read() as connection:
        found = rows.list_groups(connection, site or settings.site)
    _show([each._asdict() | {"created_at": instant(each.created_at)} for each in found], "No group yet.", as_json)
    return 0


def change_members(group_id: str, courses: Sequence[str], patients: Sequence[str], site: str | None, out: bool) -> int:
    """Put the patients of courses, or Patients by their ids, into a group or take them out; prints how many."""

    def work(connection: Connection, of: str, now: int) -> None:
        if not rows.has_group(connection, of, group_id):
            raise _Refused(f"{group_id}: there is no such group")
        members = _patients(connection, of, courses, patients)
        if out:
            print(rows.remove_members(connection, of, group_id, members))
        else:
            print(rows.add_members(connection, of, group_id, members, now))

    return _changed(site, work)


def list_members(group_id: str, site: str | None) -> int:
    """Print the ids of the Patients of a group."""
    with _opened() as (database, settings), database.read() as connection:
        for patient in rows.members_of(connection, site or settings.site, group_id):
            print(patient)
    return 0


def _patients(connection: Connection, site: str, courses: Sequence[str], patients: Sequence[str]) -> set[str]:
    of_courses = rows.patients_of_courses(connection, site, courses)
    unknown = [each for each in courses if each not in of_courses]
    known = rows.known_patients(connection, site, patients)
    unknown += [each for each in patients if each not in known]
    if unknown:
        raise _Refused(f"{unknown[0]}: there is no such course or patient; nothing was changed")
    return known | set(of_courses.values())


# Agreements with registries


def agree(site: str, client_id: str, mode: str, key: Path | None, group_id: str | None) -> int:
    """From now on a registry gets de-identified data of a site; an agreement of before ends."""

    def work(connection: Connection, of: str, now: int) -> None:
        client = find_client(connection, client_id)
        if client is None or client.kind != "registry" or client.revoked_at is not None:
            raise _Refused(f"{client_id}: no registry of that id is registered")
        if group_id is not None and not rows.has_group(connection, of, group_id):
            raise _Refused(f"{group_id}: there is no such group")
        file = None if key is None else str(key.resolve())
        rows.agree(connection, rows.AgreementRow(of, client_id, mode, file, group_id, now))
        print(DECIDE, file=sys.stderr)

    try:
        _check_key(mode, key)
    except (_Refused, KeyFault) as fault:
        return _said(fault)
    return _changed(site, work)


def end_agreement(site: str, client_id: str) -> int:
    """From now on the registry gets nothing of the site; what it has it keeps."""

    def work(connection: Connection, of: str, now: int) -> None:
        if not rows.end_agreement(connection, of, client_id):
            raise _Refused(f"{site} has no agreement with {client_id}")

    return _changed(site, work)


def list_agreements(as_json: bool) -> int:
    """Print what was agreed."""
    with _opened() as (database, _), database.read() as connection:
        found = rows.agreements(connection)
    _show([each._asdict() | {"agreed_at": instant(each.agreed_at)} for each in found], "No agreement yet.", as_json)
    return 0


def _check_key(mode: str, key: Path | None) -> None:
    if mode not in MODES:
        raise _Refused(f"mode is {' or '.join(MODES)}")
    if mode == RESEARCH:
        if key is None:
            raise _Refused(f"{mode} needs a key file, so that later exports fit to this one")
        read_key(key)
    elif key is not None:
        raise _Refused(f"{mode} takes no key: its pseudonyms are of one export alone")


# The worker


def work_on_exports(once: bool) -> int:
    """Write the files of exports: what waits now, or whatever comes until interrupted."""
    with _opened() as (database, settings):
        worker = export_worker(database, settings, lambda: datetime.now(UTC))
        if once:
            while worker.run_once():
                pass
            return 0
        try:
            worker.run(threading.Event())
        except KeyboardInterrupt:
            return 0
    return 0


# What they share


@contextmanager
def _opened() -> Iterator[tuple[ExportDatabase, Settings]]:
    """The configured database, brought to this version's tables."""
    settings = settings_from()
    migrate_database(settings.database_url, settings.synchronous)
    database = open_export_database(settings.database_url, settings.synchronous)
    try:
        yield database, settings
    finally:
        database.close()


def _changed(site: str | None, work: Callable[[Connection, str, int], None]) -> int:
    try:
        with _opened() as (database, settings), database.write() as connection:
            work(connection, site or settings.site, microseconds(datetime.now(UTC)))
    except _Refused as fault:
        return _said(fault)
    return 0


def _said(fault: Exception) -> int:
    print(f"refused: {fault}", file=sys.stderr)
    return 1


def _show(found: list[dict[str, Any]], none: str, as_json: bool) -> None:
    if as_json:
        sys.stdout.buffer.write(strict_json.write(found) + b"\n")
        return
    table = Table(*(found[0] if found else ()))
    for row in found:
        table.add_row(*("" if value is None else str(value) for value in row.values()))
    Console().print(table if found else none)
