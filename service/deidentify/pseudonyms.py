"""Keyed pseudonyms: HMAC-SHA-256 (RFC 2104) over what is replaced, with a key that stays with the sender.

Whoever lacks the key cannot tell a pseudonym's origin by trying all numbers of a hospital, as a plain digest would let
him. The same thing has the same pseudonym as long as key, registry and site are the same, so that references still
lead somewhere and a later export joins an earlier one; two registries cannot be joined.
"""

import hmac
import secrets
from hashlib import sha256
from pathlib import Path
from uuid import UUID

SHORTEST_KEY = 32  # bytes, the length of the digest (RFC 2104, 3)
NEAREST_DAYS, FURTHEST_DAYS = 31, 395  # how far into the past a patient's dates go


class KeyFault(ValueError):
    """A file that cannot serve as a key."""


def read_key(path: Path) -> bytes:
    """The key in a file: at least 32 bytes, readable by its owner alone. Raises KeyFault."""
    try:
        shared = path.stat().st_mode & 0o077
        key = path.read_bytes().strip()
    except OSError as fault:
        raise KeyFault(f"{path}: {fault.strerror}") from fault
    if shared:
        raise KeyFault(f"{path}: others may read it; its mode must be 0600")
    if len(key) < SHORTEST_KEY:
        raise KeyFault(f"{path}: a key has at least {SHORTEST_KEY} bytes, e.g. from: openssl rand -hex 32")
    return key


def key_of_this_run() -> bytes:
    """A random key that nobody keeps: with it, no later output can be joined to this one, nor it to a person."""
    return secrets.token_bytes(SHORTEST_KEY)


class Pseudonyms:
    """Pseudonyms of one site for one registry."""

    def __init__(self, key: bytes, registry: str, site: str) -> None:
        """Raises KeyFault for a key that is too short."""
        if len(key) < SHORTEST_KEY:
            raise KeyFault(f"a key has at least {SHORTEST_KEY} bytes")
        self._key = key
        self._scope = (registry, site)

    def id(self, type_: str, id_: str) -> str:
        """The id of a resource, in the form of a UUID of version 8 (RFC 9562, 5.8)."""
        raw = bytearray(self._digest("id", type_, id_)[:16])
        raw[6] = raw[6] & 0x0F | 0x80
        raw[8] = raw[8] & 0x3F | 0x80
        return str(UUID(bytes=bytes(raw)))

    def identifier(self, system: str, value: str) -> str:
        """The value of a business identifier."""
        return f"p-{self._digest('identifier', system, value)[:16].hex()}"

    def site(self) -> str:
        """The site, the same in all that it sends to this registry."""
        return f"s-{self._digest('site')[:8].hex()}"

    def shift_days(self, patient: str) -> int:
        """By how many whole days the dates of a patient move: 31 to 395 into the past, the same for all of them."""
        number = int.from_bytes(self._digest("shift", patient)[:8], "big")
        return -(NEAREST_DAYS + number % (FURTHEST_DAYS - NEAREST_DAYS + 1))

    def _digest(self, kind: str, *parts: str) -> bytes:
        named = "".join(f"{len(part)}:{part}" for part in (*self._scope, kind, *parts))  # no two lists run together
        return hmac.new(self._key, named.encode(), sha256).digest()
