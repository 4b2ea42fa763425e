"""A client's signed assertion: header, signature, claims (SMART App Launch 2.2.0, RFC 7523 3, RFC 7515).

Nothing of an assertion is believed before its signature holds, but for which client's keys to try.
"""

import re
from base64 import urlsafe_b64decode
from binascii import Error as Base64Error
from dataclasses import dataclass
from typing import Any

from joserfc import jws
from joserfc.errors import JoseError

from service import strict_json
from service.access.keys import ALGORITHMS, PublicKey

LONGEST_ASSERTION = 8192
LONGEST_LIFE_S = 300
LONGEST_JTI = 255
CLIENT_ID = re.compile(r"[A-Za-z0-9._~:/-]{1,64}", re.ASCII)
_PART = re.compile(r"[A-Za-z0-9_-]+", re.ASCII)


class _Registry(jws.JWSRegistry):
    """Only our algorithms; a header long enough for a jku; unknown header parameters are passed over (RFC 7515 4)."""

    max_header_length = 2048


_REGISTRY = _Registry(algorithms=ALGORITHMS, strict_check_header=False)


class AssertionFault(Exception):
    """Why an assertion is refused."""


@dataclass(frozen=True, slots=True)
class Unverified:
    """An assertion read but not believed."""

    text: str
    algorithm: str
    kid: str
    jku: str | None
    client_id: str
    claims: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Expected:
    """What the claims must agree with: audiences, the time in seconds since 1970, how far clocks may differ."""

    audiences: frozenset[str]
    now_s: float
    skew_s: int = 0


def read_assertion(text: str) -> Unverified:
    """Read header and claims; raises AssertionFault for anything that cannot be an assertion of a client."""
    if len(text) > LONGEST_ASSERTION:
        raise AssertionFault(f"the assertion is longer than {LONGEST_ASSERTION} characters")
    parts = text.split(".")
    if len(parts) != 3 or not all(_PART.fullmatch(part) for part in parts):
        raise AssertionFault("the assertion is no JWS in compact form with a signature")
    header, claims = _object(parts[0], "header"), _object(parts[1], "payload")
    algorithm, kid, jku = header.get("alg"), header.get("kid"), header.get("jku")
    if algorithm not in ALGORITHMS:
        raise AssertionFault(f"alg must be {' or '.join(ALGORITHMS)}")
    if header.get("typ") != "JWT":
        raise AssertionFault("typ must be JWT")
    if not isinstance(kid, str) or not kid:
        raise AssertionFault("kid is missing")
    if "crit" in header:
        raise AssertionFault("crit names extensions, and none is understood")
    if "jku" in header and not isinstance(jku, str):
        raise AssertionFault("jku must be a text")
    issuer = claims.get("iss")
    if not isinstance(issuer, str) or not CLIENT_ID.fullmatch(issuer) or claims.get("sub") != issuer:
        raise AssertionFault("iss and sub must both be the client_id")
    return Unverified(text, algorithm, kid, jku, issuer, claims)


def check_signature(found: Unverified, key: PublicKey) -> None:
    """Raise AssertionFault unless the signature is the key's."""
    try:
        jws.deserialize_compact(found.text, key, algorithms=ALGORITHMS, registry=_REGISTRY)
    except (JoseError, ValueError, TypeError) as fault:
        raise AssertionFault("the signature does not hold") from fault


def check_claims(found: Unverified, expected: Expected) -> None:
    """Raise AssertionFault unless the claims of a verified assertion are for us, for now, and can be used once."""
    claims = found.claims
    audience = claims.get("aud")
    if isinstance(audience, list) and len(audience) == 1:
        audience = audience[0]
    # A list of several would let another of the addressees use the assertion here.
    _require(isinstance(audience, str) and audience in expected.audiences, "aud must be the URL of the token endpoint")
    expires_s = _seconds(claims, "exp")
    _require(expires_s > expected.now_s - expected.skew_s, "exp is in the past")
    latest = expected.now_s + LONGEST_LIFE_S + expected.skew_s
    _require(expires_s <= latest, f"exp is more than {LONGEST_LIFE_S} seconds ahead")
    for name in ("iat", "nbf"):
        begins_s = _seconds(claims, name) if name in claims else 0
        _require(begins_s <= expected.now_s + max(expected.skew_s, 1), f"{name} is in the future")
    jti = claims.get("jti")
    _require(isinstance(jti, str) and 0 < len(jti) <= LONGEST_JTI, f"jti must be a text of 1 to {LONGEST_JTI}")


def _seconds(claims: dict[str, Any], name: str) -> int:
    value = claims.get(name)
    if type(value) is not int:  # true and false are ints too
        raise AssertionFault(f"{name} must be a whole number of seconds since 1970")
    return value


def _require(holds: bool, why: str) -> None:
    if not holds:
        raise AssertionFault(why)


def _object(part: str, name: str) -> dict[str, Any]:
    """A part of the JWS as an object read strictly; what two readers could understand differently is refused."""
    try:
        octets = urlsafe_b64decode(part + "=" * (-len(part) % 4))
        value = strict_json.read(octets, largest=LONGEST_ASSERTION, deepest=8)
    except (Base64Error, strict_json.Unreadable) as fault:
        raise AssertionFault(f"the {name} of the assertion is no JSON object") from fault
    if not isinstance(value, dict):
        raise AssertionFault(f"the {name} of the assertion is no JSON object")
    return value
