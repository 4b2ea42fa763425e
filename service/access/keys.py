"""Public keys of clients: which sets are taken, and which one key fits a signature.

Source: SMART App Launch 2.2.0 client-confidential-asymmetric (registration, signature verification), RFC 7517, 7518.
"""

import binascii
from base64 import urlsafe_b64decode
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from joserfc.errors import JoseError
from joserfc.jwk import ECKey, RSAKey

from service import strict_json
from service.access.faults import KeySetFault

LARGEST_SET = 64 * 1024
MOST_KEYS = 50
SMALLEST_RSA_BITS, LARGEST_RSA_BITS = 2048, 8192  # NIST SP 800-131A; above, a check takes longer than it is worth
KTY_OF = {"RS384": "RSA", "ES384": "EC"}
ALGORITHMS = tuple(KTY_OF)
_CURVE = "P-384"
_SECRET_MEMBERS = frozenset({"d", "p", "q", "dp", "dq", "qi", "oth", "k"})
_BARE = {"RSA": ("kty", "n", "e"), "EC": ("kty", "crv", "x", "y")}

PublicKey = RSAKey | ECKey


@dataclass(frozen=True, slots=True)
class KeyOfClient:
    """A key that can verify: its `kid`, the algorithm it is for, and the key."""

    kid: str
    algorithm: str
    key: PublicKey


def read_key_set(document: bytes) -> tuple[KeyOfClient, ...]:
    """The keys of a JWK Set that can verify RS384 or ES384; others are passed over, as RFC 7517 5 asks.

    Raises KeySetFault for what is no JWK Set, holds a private or symmetric key, a broken key, or none that can be used.
    """
    try:
        found = strict_json.read(document, largest=LARGEST_SET, deepest=8)
    except strict_json.Unreadable as fault:
        raise KeySetFault(f"the key set cannot be read: {fault}") from fault
    listed = found.get("keys") if isinstance(found, dict) else None
    if not isinstance(listed, list) or not all(isinstance(each, dict) for each in listed):
        raise KeySetFault('a key set is an object with a list of keys named "keys" (RFC 7517)')
    if len(listed) > MOST_KEYS:
        raise KeySetFault(f"more than {MOST_KEYS} keys")
    if any(_SECRET_MEMBERS & set(each) for each in listed):
        raise KeySetFault("the set holds a private or symmetric key: that key is known to others now, make a new one")
    usable = tuple(_usable(each, algorithm) for each in listed if (algorithm := _algorithm(each)))
    if not usable:
        raise KeySetFault(f"no key in the set can be used: one for {' or '.join(ALGORITHMS)} with a kid is needed")
    return usable


def read_unambiguous_key_set(document: bytes) -> tuple[KeyOfClient, ...]:
    """The same for registering: no two keys may answer to one kid and algorithm, as neither would ever be taken."""
    keys = read_key_set(document)
    if len({(each.kid, each.algorithm) for each in keys}) < len(keys):
        raise KeySetFault("two keys of the set have the same kid and algorithm")
    return keys


def fitting_key(keys: tuple[KeyOfClient, ...], kid: str, algorithm: str) -> PublicKey | None:
    """The single key of that kid for that algorithm; None where there is none or more than one."""
    found = [each.key for each in keys if each.kid == kid and each.algorithm == algorithm]
    return found[0] if len(found) == 1 else None


def thumbprint(jwk: Mapping[str, Any]) -> str:
    """RFC 7638 thumbprint of a public RSA or EC key, by which people compare keys. Raises KeySetFault."""
    if jwk.get("kty") not in tuple(_BARE):
        raise KeySetFault("only RSA and EC keys are known")
    return _imported(jwk).thumbprint()


def _algorithm(jwk: Mapping[str, Any]) -> str | None:
    """The algorithm that the key is for, None where it is for nothing that is verified here."""
    if not isinstance(jwk.get("kid"), str) or not jwk["kid"] or jwk.get("use", "sig") != "sig":
        return None
    operations = jwk.get("key_ops", ["verify"])
    if not isinstance(operations, list) or "verify" not in operations:
        return None
    if jwk.get("kty") == "EC" and jwk.get("crv") != _CURVE:
        return None
    algorithm = next((alg for alg, kty in KTY_OF.items() if kty == jwk.get("kty")), None)
    return algorithm if jwk.get("alg", algorithm) == algorithm else None


def _usable(jwk: Mapping[str, Any], algorithm: str) -> KeyOfClient:
    return KeyOfClient(jwk["kid"], algorithm, _imported(jwk))


def _imported(jwk: Mapping[str, Any]) -> PublicKey:
    """The key from its bare members alone; what else a JWK says was looked at before."""
    bare = {name: jwk.get(name) for name in _BARE[jwk["kty"]]}
    if not all(isinstance(value, str) and value.isascii() for value in bare.values()):
        raise KeySetFault("a key lacks a member, or has one that is no text")
    texts: dict[str, str | list[str]] = {name: str(value) for name, value in bare.items()}
    try:
        if jwk["kty"] == "EC":
            return ECKey.import_key(texts)
        _check_modulus(jwk["n"])
        return RSAKey.import_key(texts)
    except (JoseError, ValueError, KeyError, TypeError, binascii.Error) as fault:
        # The library lets through what its parts raise: base64, cryptography's own checks of numbers and curves.
        raise KeySetFault("a key in the set is broken: its numbers make no public key") from fault


def _check_modulus(text: str) -> None:
    """Refuse a key that is too short to be safe, or too long to be checked in good time, before it is made."""
    bits = int.from_bytes(urlsafe_b64decode(text + "=="), "big").bit_length()
    if not SMALLEST_RSA_BITS <= bits <= LARGEST_RSA_BITS:
        raise KeySetFault(f"an RSA key has {SMALLEST_RSA_BITS} to {LARGEST_RSA_BITS} bits, this one {bits}")
