"""The token endpoint without its web framework: a form in, a token or a refusal of RFC 6749 5.2 out.

Tokens are opaque: 256 random bits, of which the database keeps the digest with client, scopes and end (docs/access.md,
Decisions). A token lasts five minutes; there is no refresh token (SMART App Launch 2.2.0, Backend Services).
"""

import logging
import threading
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.access.assertion import (
    AssertionFault,
    Expected,
    Unverified,
    check_claims,
    check_signature,
    read_assertion,
)
from service.access.faults import KeySetFault, ScopeFault, TokenRefused
from service.access.key_fetch import KeySets
from service.access.keys import PublicKey, fitting_key, read_key_set
from service.access.scopes import Scopes, parse_scopes
from service.access.secrets import digest_of, new_secret
from service.access.token_form import check_grant
from service.search.dates import microseconds
from service.store.access import AccessDatabase
from service.store.chart_rows import forget_expired_charts
from service.store.client_rows import ClientRow, find_client
from service.store.errors import StoreError
from service.store.token_rows import TokenRow, add_token, forget_expired_tokens, use_assertion

log = logging.getLogger(__name__)

LIFE_S = 300
# Longer than any assertion lives: should the clock be set back by less, a used one is still known.
_REMEMBERED = timedelta(hours=1)
_SWEEP_EVERY = timedelta(minutes=1)
# The same words for an unknown client, a revoked one and a wrong signature: nobody learns which ids exist.
NOT_A_CLIENT = "the assertion is not one of a registered client"


@dataclass(frozen=True, slots=True)
class Granted:
    """A token as the client gets it, once."""

    client_id: str
    site: str | None  # None for a registry
    access_token: str
    expires_in: int
    scope: str

    def answer(self) -> dict[str, str | int]:
        """The members of RFC 6749 5.1; no refresh token."""
        return {
            "access_token": self.access_token,
            "token_type": "bearer",
            "expires_in": self.expires_in,
            "scope": self.scope,
        }


class TokenEndpoint:
    """Grants tokens to registered clients; processes and threads may share the database."""

    def __init__(
        self,
        database: AccessDatabase,
        key_sets: KeySets,
        token_url: str,
        served_types: Collection[str],
        *,
        more_audiences: Collection[str] = (),
        skew_s: int = 0,
    ) -> None:
        """`more_audiences` are taken as `aud` beside the token URL; `skew_s`: how far a client's clock may differ."""
        self._database = database
        self._key_sets = key_sets
        self._audiences = frozenset({token_url, *more_audiences})
        self._served_types = frozenset(served_types)
        self._skew_s = skew_s
        self._swept_at: datetime | None = None
        self._lock = threading.Lock()

    def grant(self, form: Mapping[str, str], now: datetime) -> Granted:
        """The token for a request's parameters (see `read_form`). Raises TokenRefused; StoreError as the store does."""
        check_grant(dict(form))
        client, assertion = self._signed_in(form, now)
        try:
            # Clients of others ask for a fixed list of types. What is not served cannot be granted nor missed, and the
            # answer says what was granted (RFC 6749 3.3 and 5.1).
            asked = parse_scopes(form["scope"], self._served_types, pass_over=True)
            refused = _beyond(asked, client)
        except ScopeFault as fault:
            asked, refused = Scopes(), str(fault)
        granted = self._use(client, assertion, Scopes() if refused else asked, now)
        if refused:
            raise TokenRefused("invalid_scope", refused)
        self._sweep(now)
        return granted

    def _signed_in(self, form: Mapping[str, str], now: datetime) -> tuple[ClientRow, Unverified]:
        try:
            assertion = read_assertion(form["client_assertion"])
            if form.get("client_id", assertion.client_id) != assertion.client_id:
                raise AssertionFault("client_id is another than the assertion's")
            client = self._client(assertion)
            self._check_signature(client, assertion)
            check_claims(assertion, Expected(self._audiences, now.timestamp(), self._skew_s))
        except _Unknown as fault:
            raise TokenRefused("invalid_client", NOT_A_CLIENT, reason=str(fault)) from fault
        except AssertionFault as fault:
            raise TokenRefused("invalid_client", str(fault)) from fault
        return client, assertion

    def _client(self, assertion: Unverified) -> ClientRow:
        with self._database.read() as connection:
            client = find_client(connection, assertion.client_id)
        if client is None:
            raise _Unknown("no client of that id")
        if client.revoked_at is not None:
            raise _Unknown("the client is revoked")
        return client

    def _check_signature(self, client: ClientRow, assertion: Unverified) -> None:
        key = self._key(client, assertion)
        try:
            check_signature(assertion, key)
        except AssertionFault as fault:
            raise _Unknown(str(fault)) from fault

    def _key(self, client: ClientRow, assertion: Unverified) -> PublicKey:
        if assertion.jku is not None and assertion.jku != client.jwks_url:
            raise _Unknown("jku is not the registered URL")
        try:
            if client.jwks_url is not None:
                key = self._key_sets.key(client.jwks_url, assertion.kid, assertion.algorithm)
            else:
                key = fitting_key(read_key_set((client.jwks or "").encode()), assertion.kid, assertion.algorithm)
        except KeySetFault as fault:
            raise _Unknown(str(fault)) from fault
        if key is None:
            raise _Unknown("not exactly one key fits kid and alg")
        return key

    def _use(self, client: ClientRow, assertion: Unverified, scopes: Scopes, now: datetime) -> Granted:
        """Remember the assertion as used and, where there are scopes, store the token: one transaction."""
        token, digest = new_secret()
        ends_at = microseconds(now + timedelta(seconds=LIFE_S))
        life_over = timedelta(seconds=LIFE_S + self._skew_s)
        with self._database.write() as connection:
            jti = digest_of(assertion.claims["jti"])
            if not use_assertion(connection, client.client_id, jti, microseconds(now + life_over)):
                raise TokenRefused("invalid_client", "jti was used before: an assertion is good for one request")
            if scopes:
                row = TokenRow(digest, client.client_id, client.generation, str(scopes), microseconds(now), ends_at)
                add_token(connection, row)
        return Granted(client.client_id, client.site, token, LIFE_S, str(scopes))

    def _sweep(self, now: datetime) -> None:
        """Once a minute, delete what is over; not within the transaction of a token, which waits for nobody."""
        with self._lock:
            if self._swept_at is not None and abs(now - self._swept_at) < _SWEEP_EVERY:
                return
            self._swept_at = now
        before = microseconds(now - _REMEMBERED)
        try:
            with self._database.write() as connection:
                forget_expired_tokens(connection, before)
                forget_expired_charts(connection, before)
        except StoreError as fault:
            # The token is granted already; another minute's sweep takes these rows along.
            log.warning("expired rows were not deleted: %s", type(fault).__name__)


class _Unknown(AssertionFault):
    """The assertion does not prove to be of any registered client."""


def _beyond(asked: Scopes, client: ClientRow) -> str:
    """Why the scopes are refused; empty when all are within those agreed at registration."""
    beyond = asked.within(parse_scopes(client.scopes))
    return f"beyond what was agreed for this client: {' '.join(beyond)}" if beyond else ""
