"""How a destination knows us: not at all, by a token in a file, or by SMART Backend Services.

SMART App Launch 2.2.0, backend-services and client-confidential-asymmetric: an assertion signed with our private key is
exchanged for a token that is valid for some minutes; it is renewed before it ends. Secrets are read from their files
when they are needed and kept nowhere.
"""

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from secrets import token_hex
from typing import Any, NamedTuple, Protocol
from urllib.parse import urlsplit

import orjson
from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, RSAKey

from service.delivery.destination import DEFAULT_SCOPE, Destination, check_url
from service.delivery.faults import DestinationFault, Temporary
from service.delivery.transport import Transport

ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
ASSERTION_LIFE_S = 240  # SMART asks for at most five minutes; the rest is left to clocks that differ
USUAL_LIFE_S = 60  # of a token whose answer does not say it
RENEWED_BEFORE_S = 30.0
Clock = Callable[[], datetime]


class SignIn(Protocol):
    """What proves to a destination who asks."""

    def headers(self) -> dict[str, str]:
        """Headers of the next request; Temporary where they cannot be had now."""
        ...

    def refused(self) -> None:
        """Told after a 401: whatever was kept is not believed any more."""
        ...


class NoSignIn:
    """The destination asks for nothing."""

    def headers(self) -> dict[str, str]:
        """No header."""
        return {}

    def refused(self) -> None:
        """Nothing is kept."""


class TokenFile:
    """A bearer token in a file, read for each request, so that who replaces the file need not stop anything."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def headers(self) -> dict[str, str]:
        """The token as it stands in the file now."""
        return {"Authorization": f"Bearer {_read(self._path).decode('ascii', 'replace').strip()}"}

    def refused(self) -> None:
        """Nothing is kept."""


class SigningKey(NamedTuple):
    """A private key, its kid, and the algorithm that it signs with."""

    key: RSAKey | ECKey
    kid: str
    algorithm: str


class BackendServices:
    """SMART Backend Services as a client."""

    def __init__(self, destination: Destination, transport: Transport, clock: Clock) -> None:
        self._destination = destination
        self._transport = transport
        self._clock = clock
        self._token = ""
        self._renew_at = 0.0

    def headers(self) -> dict[str, str]:
        """A token that is valid for some time yet."""
        if not self._token or self._clock().timestamp() >= self._renew_at:
            self._fetch()
        return {"Authorization": f"Bearer {self._token}"}

    def refused(self) -> None:
        """Fetch another token next time."""
        self._token = ""

    def _fetch(self) -> None:
        asked_at = self._clock().timestamp()
        endpoint = self._destination.token_url or token_endpoint(self._destination, self._transport)
        form = {
            "grant_type": "client_credentials",
            "scope": self._destination.scope or DEFAULT_SCOPE,
            "client_assertion_type": ASSERTION_TYPE,
            "client_assertion": self._assertion(endpoint, asked_at),
        }
        status, body = self._transport.post_form(endpoint, form)
        token, life_s = _token_of(status, body)
        self._token = token
        self._renew_at = asked_at + life_s - min(RENEWED_BEFORE_S, life_s / 5)

    def _assertion(self, endpoint: str, now_s: float) -> str:
        signing = signing_key(_read(Path(self._destination.secret_file)))
        own = self._destination.client_id
        claims = {"iss": own, "sub": own, "aud": endpoint, "exp": int(now_s) + ASSERTION_LIFE_S, "jti": token_hex(16)}
        header = {"alg": signing.algorithm, "kid": signing.kid, "typ": "JWT"}
        return jwt.encode(header, claims, signing.key, algorithms=[signing.algorithm])


def sign_in_of(destination: Destination, transport: Transport, clock: Clock) -> SignIn:
    """The way in that a destination's settings ask for."""
    if destination.sign_in == "bearer":
        return TokenFile(Path(destination.secret_file))
    if destination.sign_in == "smart":
        return BackendServices(destination, transport, clock)
    return NoSignIn()


def signing_key(document: bytes) -> SigningKey:
    """The private key in a JWK, or the first in a JWK Set: RSA signs RS384, EC P-384 signs ES384.

    DestinationFault for anything else; its text holds nothing of the key.
    """
    try:
        found = orjson.loads(document)
    except orjson.JSONDecodeError as fault:
        raise DestinationFault("the key file is no JSON: a private JWK with a kid is wanted") from fault
    listed = found.get("keys", [found]) if isinstance(found, dict) else []
    for each in listed if isinstance(listed, list) else []:
        if isinstance(each, dict) and isinstance(each.get("kid"), str) and "d" in each:
            return _imported(each)
    raise DestinationFault("the key file holds no private key with a kid (RSA, or EC on P-384)")


def token_endpoint(destination: Destination, transport: Transport) -> str:
    """The token endpoint as the server's SMART configuration names it.

    It has to be on the destination's own host, the only one that was agreed to: DestinationFault otherwise.
    """
    status, body = transport.get(f"{destination.url}/.well-known/smart-configuration", {"Accept": "application/json"})
    try:
        found = orjson.loads(body) if status == 200 else {}
    except orjson.JSONDecodeError:
        found = {}
    endpoint = found.get("token_endpoint") if isinstance(found, dict) else None
    if not isinstance(endpoint, str):
        raise Temporary(f"no token endpoint in the SMART configuration (HTTP {status})")
    check_url(endpoint, "the token endpoint of the SMART configuration")
    if urlsplit(endpoint).hostname != urlsplit(destination.url).hostname:
        raise DestinationFault(f"the token endpoint is on another host: give it as --token-url {endpoint}")
    return endpoint


def _imported(jwk: dict[str, Any]) -> SigningKey:
    try:
        if jwk.get("kty") == "RSA":
            return SigningKey(RSAKey.import_key(jwk), jwk["kid"], "RS384")
        if jwk.get("kty") == "EC" and jwk.get("crv") == "P-384":
            return SigningKey(ECKey.import_key(jwk), jwk["kid"], "ES384")
    except (JoseError, ValueError, KeyError, TypeError) as fault:
        raise DestinationFault("the private key in the key file is broken") from fault
    raise DestinationFault("the private key is neither RSA nor EC on P-384")


def _token_of(status: int, body: bytes) -> tuple[str, float]:
    """Token and seconds of its life; Temporary for a refusal, since no course is to be held for it."""
    try:
        found = orjson.loads(body)
    except orjson.JSONDecodeError:
        found = None
    given = found if isinstance(found, dict) else {}
    token, life_s = given.get("access_token"), given.get("expires_in", USUAL_LIFE_S)
    if status != 200 or not isinstance(token, str) or str(given.get("token_type", "")).lower() != "bearer":
        error = given.get("error")
        code = f", {error}" if isinstance(error, str) and error.replace("_", "").isalpha() and len(error) < 40 else ""
        raise Temporary(f"the token endpoint gave no token (HTTP {status}{code})")
    return token, float(life_s) if isinstance(life_s, int | float) and life_s > 0 else USUAL_LIFE_S


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as fault:
        raise Temporary(f"the secret file cannot be read ({fault.strerror})") from fault
