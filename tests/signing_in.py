"""Clients with a valid token, made straight in the database: what tests about other things need of access control."""

from datetime import datetime, timedelta
from typing import Any

from service.access.clients import keys_inline, register, registration
from service.access.secrets import new_secret
from service.api.shared import served_types
from service.config import Settings
from service.search.dates import microseconds
from service.store import migrate_database
from service.store.access import open_access_database
from service.store.client_rows import find_client
from service.store.token_rows import TokenRow, add_token
from tests.access.sender import both_keys

LOOPBACK = "http://127.0.0.1:8080"  # the open demonstration answers nobody who calls it by another name
EVERYTHING = "system/*.cruds intake:read intake:write chart-link:create"


def new_client(settings: Settings, now: datetime, scopes: str = EVERYTHING, site: str | None = None) -> str:
    """Register a client of a site (default: that of the settings; a registry where it is empty); its id."""
    migrate_database(settings.database_url)
    named = settings.site if site is None else site
    agreed = registration("A system", named or None, scopes, registry=not named, types=served_types())
    database = open_access_database(settings.database_url)
    try:
        return register(database, agreed, keys_inline(both_keys()), now)
    finally:
        database.close()


def token_of(settings: Settings, client_id: str, now: datetime, scopes: str = EVERYTHING) -> str:
    """A token of five minutes with these scopes."""
    token, digest = new_secret()
    database = open_access_database(settings.database_url)
    try:
        with database.write() as connection:
            client = find_client(connection, client_id)
            assert client is not None
            ends = microseconds(now + timedelta(minutes=5))
            add_token(connection, TokenRow(digest, client_id, client.generation, scopes, microseconds(now), ends))
    finally:
        database.close()
    return token


def signed_in(settings: Settings, now: datetime, scopes: str = EVERYTHING, site: str | None = None) -> dict[str, Any]:
    """The header of a new client's request."""
    client_id = new_client(settings, now, scopes, site)
    return {"Authorization": f"Bearer {token_of(settings, client_id, now, scopes)}"}
