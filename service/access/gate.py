"""The gate: which client a request is from, and what it may do. Asked with every request, never remembered."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from service.access.faults import Forbidden, Unauthorised
from service.access.scopes import LETTER_OF, OWN, Scopes, parse_scopes
from service.access.secrets import digest_of
from service.search.dates import microseconds
from service.store.access import AccessDatabase
from service.store.client_rows import any_client
from service.store.token_rows import find_bearer

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
        if not authorization and self.is_open():
            return Access("demonstration", self._demonstration_site, "demonstration", EVERYTHING)
        token = _token(authorization)
        with self._database.read() as connection:
            found = find_bearer(connection, digest_of(token), microseconds(now))
        if found is None:
            raise Unauthorised("the token is unknown, has expired or is revoked", "invalid_token")
        kind: Kind = "registry" if found.kind == "registry" else "backend"
        return Access(found.client_id, found.site, kind, parse_scopes(found.scopes))

    def is_open(self) -> bool:
        """Whether this is the open demonstration. It ends for good as soon as a client is registered."""
        if self._demonstration_site is None:
            return False
        with self._database.read() as connection:
            if any_client(connection):
                self._demonstration_site = None
        return self._demonstration_site is not None


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
