"""The gate: which client a request is from, and what it may do. Asked with every request, never remembered."""

import re
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Literal

from sqlalchemy import Connection

from service.access.faults import Forbidden, Unauthorised
from service.access.scopes import LETTER_OF, OWN, Scopes, parse_scopes
from service.access.secrets import digest_of
from service.search.dates import microseconds
from service.store.access import AccessDatabase
from service.store.client_rows import any_client
from service.store.token_rows import find_bearer

Read = Callable[[], AbstractContextManager[Connection]]
Kind = Literal["backend", "registry", "demonstration"]
EVERYTHING = parse_scopes(" ".join(["system/*.cruds", *OWN]))
_BEARER = re.compile(r"[Bb][Ee][Aa][Rr][Ee][Rr] +([A-Za-z0-9._~+/-]{1,512}=*)", re.ASCII)  # RFC 6750 2.1


@dataclass(frozen=True, slots=True)
class Access:
    """Who asks. `site` is None for a registry, whose reads go through de-identification."""

    client_id: str
    site: str | None
    kind: Kind
    scopes: Scopes

    def own_site(self) -> str:
        """The site whose identified data may be touched. Raises Forbidden for a registry, which has none."""
        if self.site is None:
            raise Forbidden("a registry does not read identified data")
        return self.site

    def require(self, type_: str, interaction: str) -> None:
        """Raise Forbidden unless a scope grants the interaction on the type (`*`: on all types)."""
        if not self.scopes.allows(type_, interaction):
            needed = f"system/{type_}.{LETTER_OF[interaction]}"
            raise Forbidden(f"the token does not grant {interaction} of {_named(type_)}", needed)

    def require_own(self, scope: str) -> None:
        """Raise Forbidden unless one of the service's own scopes was granted."""
        if scope not in self.scopes.own:
            raise Forbidden(f"the token does not grant {scope}", scope)


class Gate:
    """Finds the client of a request. With a demonstration site it lets everybody in, until a client is registered."""

    def __init__(self, database: AccessDatabase, demonstration_site: str | None = None) -> None:
        self._database = database
        self._demonstration_site = demonstration_site

    def access(self, authorization: Sequence[str], now: datetime) -> Access:
        """The client of a request by its Authorization headers. Raises Unauthorised."""
        return self._access(authorization, now, self._database.read)

    def access_nearby(self, authorization: Sequence[str], now: datetime) -> Access:
        """The same without waiting, where the database allows it. Raises Unauthorised, or NotNearby."""
        return self._access(authorization, now, self._database.read_nearby)

    def _access(self, authorization: Sequence[str], now: datetime, read: Read) -> Access:
        if not authorization and self._is_open(read):
            return Access("demonstration", self._demonstration_site, "demonstration", EVERYTHING)
        token = _token(authorization)
        with read() as connection:
            found = find_bearer(connection, digest_of(token), microseconds(now))
        if found is None:
            raise Unauthorised("the token is unknown, has expired or is revoked", "invalid_token")
        kind: Kind = "registry" if found.kind == "registry" else "backend"
        return Access(found.client_id, found.site, kind, _granted(found.scopes))

    def is_open(self) -> bool:
        """Whether this is the open demonstration. It ends for good as soon as a client is registered."""
        return self._is_open(self._database.read)

    def _is_open(self, read: Read) -> bool:
        if self._demonstration_site is None:
            return False
        with read() as connection:
            if any_client(connection):
                self._demonstration_site = None
        return self._demonstration_site is not None


@lru_cache(maxsize=1_000)
def _granted(text: str) -> Scopes:
    return parse_scopes(text)


def _token(authorization: Sequence[str]) -> str:
    if not authorization:
        raise Unauthorised("a token is needed")
    if len(authorization) > 1:
        raise Unauthorised("more than one Authorization header", "invalid_request")
    found = _BEARER.fullmatch(authorization[0].strip(" \t"))
    if not found:
        raise Unauthorised("the Authorization header must be: Bearer, a blank, a token", "invalid_request")
    return found[1]


def _named(type_: str) -> str:
    return "all types" if type_ == "*" else type_
