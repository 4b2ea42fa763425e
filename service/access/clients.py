"""Registration: a client gets its id here, later other keys, and is revoked; the next request already feels it."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Literal
from uuid import uuid4

from service.access.faults import RegistrationFault, ScopeFault
from service.access.key_fetch import check_key_set_url
from service.access.keys import read_unambiguous_key_set
from service.access.scopes import Scopes, parse_scopes
from service.search.dates import microseconds
from service.store.access import AccessDatabase
from service.store.client_rows import ClientRow, add_client, list_clients, replace_keys, revoke_client

Kind = Literal["backend", "registry"]
LONGEST_NAME, LONGEST_SITE = 200, 64


@dataclass(frozen=True, slots=True)
class KeySource:
    """Where a client's public keys come from: the set itself, or the URL at which the client publishes it."""

    jwks: str | None = None
    jwks_url: str | None = None


@dataclass(frozen=True, slots=True)
class Registration:
    """What is agreed with a client before it gets its id. A registry has no site."""

    name: str
    site: str | None
    kind: Kind
    scopes: Scopes


def keys_inline(document: bytes) -> KeySource:
    """Keys as handed over. Raises KeySetFault for a set that is not fit, or in which two keys go by one kid."""
    read_unambiguous_key_set(document)
    return KeySource(jwks=document.decode("utf-8"))


def keys_at(url: str, hosts: frozenset[str]) -> KeySource:
    """Keys that the client publishes. Raises KeySetFault for a URL that they may not be fetched from."""
    check_key_set_url(url, hosts)
    return KeySource(jwks_url=url)


def registration(
    name: str, site: str | None, scope: str, *, registry: bool, types: Collection[str] | None
) -> Registration:
    """Check what a person asked for. Raises RegistrationFault or ScopeFault with the reason."""
    if not 0 < len(name) <= LONGEST_NAME or not name.isprintable() or name != name.strip():
        raise RegistrationFault(f"a name has 1 to {LONGEST_NAME} printable characters")
    if registry and site is not None:
        raise RegistrationFault("a registry belongs to no site: it reads de-identified data of those that agreed")
    if not registry and site is None:
        raise RegistrationFault("a client acts for one site: say which")
    if site is not None and (not 0 < len(site) <= LONGEST_SITE or not site.isprintable() or site != site.strip()):
        raise RegistrationFault(f"a site's key has 1 to {LONGEST_SITE} printable characters")
    scopes = parse_scopes(scope, types)
    if registry and (scopes.own or any(set(each.letters) & set("cud") for each in scopes.fhir)):
        raise ScopeFault("a registry reads and searches; it charts nothing and opens no chart")
    return Registration(name, site, "registry" if registry else "backend", scopes)


def register(database: AccessDatabase, agreed: Registration, keys: KeySource, now: datetime) -> str:
    """Store a client and return its id."""
    client_id = str(uuid4())
    row = ClientRow(
        client_id=client_id,
        site=agreed.site,
        name=agreed.name,
        kind=agreed.kind,
        scopes=str(agreed.scopes),
        jwks=keys.jwks,
        jwks_url=keys.jwks_url,
        generation=1,
        created_at=microseconds(now),
        rotated_at=None,
        revoked_at=None,
    )
    with database.write() as connection:
        add_client(connection, row)
    return client_id


def rotate(database: AccessDatabase, client_id: str, keys: KeySource, now: datetime) -> None:
    """Replace a client's keys: what was signed or obtained with the former ones is void at once."""
    with database.write() as connection:
        if not replace_keys(connection, client_id, keys.jwks, keys.jwks_url, microseconds(now)):
            raise RegistrationFault("no such client, or it is revoked")


def revoke(database: AccessDatabase, client_id: str, now: datetime) -> None:
    """End a client's access for good: its tokens, chart links and sessions are void at once."""
    with database.write() as connection:
        if not revoke_client(connection, client_id, microseconds(now)):
            raise RegistrationFault("no such client, or it is revoked already")


def registered(database: AccessDatabase) -> list[ClientRow]:
    """Every client that was ever registered, the oldest first."""
    with database.read() as connection:
        return list_clients(connection)


def sites_of_clients(database: AccessDatabase) -> list[str]:
    """The sites that clients act for, each once; those of revoked clients are left out."""
    return sorted({row.site for row in registered(database) if row.site is not None and row.revoked_at is None})
