"""`clients`: who may sign in. The service need not run, and need not be started again."""

import sys
from datetime import UTC, datetime
from pathlib import Path

from rich.console import Console
from rich.table import Table

from service import strict_json
from service.access import clients
from service.access.faults import AccessFault, RegistrationFault
from service.access.settings import AccessSettings, access_settings_from
from service.api.shared import served_types
from service.config import settings_from
from service.search.dates import instant
from service.store import migrate_database
from service.store.access import AccessDatabase, open_access_database
from service.store.client_rows import ClientRow

REMIND = (
    "keys handed over as a file stay until `clients rotate` replaces them: "
    "have the client send the next set before its keys change, or publish the set at a URL"
)


def add_client(name: str, site: str | None, jwks: str, scope: str, registry: bool) -> int:
    """Register a client and print its id; 1 when it is refused, with the reason."""
    try:
        keys = _keys(jwks, access_settings_from())
        agreed = clients.registration(name, site, scope, registry=registry, types=served_types())
    except (AccessFault, ValueError) as fault:
        return _refused(fault)
    database = _database()
    try:
        print(clients.register(database, agreed, keys, datetime.now(UTC)))
    finally:
        database.close()
    if keys.jwks is not None:
        print(REMIND, file=sys.stderr)
    return 0


def list_clients(as_json: bool) -> int:
    """Print every client that was ever registered."""
    database = _database()
    try:
        rows = clients.registered(database)
    finally:
        database.close()
    if as_json:
        sys.stdout.buffer.write(strict_json.write([_view(row) for row in rows]) + b"\n")
        return 0
    Console().print(_table(rows) if rows else "No client is registered.")
    return 0


def rotate_keys(client_id: str, jwks: str) -> int:
    """Replace a client's keys; what was obtained with the former ones is void at once."""
    try:
        keys = _keys(jwks, access_settings_from())
    except (AccessFault, ValueError) as fault:
        return _refused(fault)
    database = _database()
    try:
        clients.rotate(database, client_id, keys, datetime.now(UTC))
    except RegistrationFault as fault:
        return _refused(fault)
    finally:
        database.close()
    return 0


def revoke_client(client_id: str) -> int:
    """End a client's access for good, at once."""
    database = _database()
    try:
        clients.revoke(database, client_id, datetime.now(UTC))
    except RegistrationFault as fault:
        return _refused(fault)
    finally:
        database.close()
    return 0


def _keys(jwks: str, settings: AccessSettings) -> clients.KeySource:
    """Keys at a URL, or those of a file."""
    if jwks.startswith(("https://", "http://")):
        return clients.keys_at(jwks, settings.jwks_hosts)
    try:
        return clients.keys_inline(Path(jwks).read_bytes())
    except OSError as fault:
        raise RegistrationFault(f"{jwks}: {fault.strerror}") from fault


def _database() -> AccessDatabase:
    """The configured database, brought to this version's tables."""
    settings = settings_from()
    migrate_database(settings.database_url, settings.synchronous)
    return open_access_database(settings.database_url, settings.synchronous)


def _view(row: ClientRow) -> dict[str, str | None]:
    return {
        "client_id": row.client_id,
        "name": row.name,
        "site": row.site,
        "kind": row.kind,
        "scopes": row.scopes,
        "keys": row.jwks_url or "handed over",
        "created_at": _when(row.created_at),
        "rotated_at": _when(row.rotated_at),
        "revoked_at": _when(row.revoked_at),
    }


def _table(rows: list[ClientRow]) -> Table:
    """The id whole, however narrow the terminal is: it is what `rotate` and `revoke` ask for."""
    table = Table(show_lines=True)
    table.add_column("client", no_wrap=True, min_width=36)
    for name in ("name, site", "scopes", "since"):
        table.add_column(name, overflow="fold")
    for row in rows:
        since = [f"{word} {_when(at)}" for word, at in _changes(row) if at is not None]
        whose = row.site or "a registry"
        table.add_row(row.client_id, f"{row.name}\n{whose}", row.scopes.replace(" ", "\n"), "\n".join(since))
    return table


def _changes(row: ClientRow) -> list[tuple[str, int | None]]:
    return [("added", row.created_at), ("rotated", row.rotated_at), ("revoked", row.revoked_at)]


def _when(at: int | None) -> str | None:
    return None if at is None else instant(at)


def _refused(fault: Exception) -> int:
    print(f"refused: {fault}", file=sys.stderr)
    return 1
