"""Where ids come from: the same reading is the same resource, on every machine and in every order of arrival.

Ids are UUIDv5 (RFC 4122, 4.3) over site, course, entry and role; Patient and Encounter over site and the identifier of
the hospital, so that two courses of one patient share the Patient.
"""

import hashlib
from collections.abc import Mapping
from typing import Any
from urllib.parse import quote
from uuid import UUID

from msgspec import Struct

from service.fhir import wire

# Made once at random for this project; a new namespace would give every resource a new id.
NAMESPACE = UUID("8a3f5f0e-6a47-4d0b-9a44-1d3b0f6f2c71")
SEPARATOR = "\x1f"  # a control character: no site, id or role can hold one, so no two names run together
LONGEST_IDENTIFIER = 63
# Two bits of the digest's digit become the variant of RFC 4122, 4.1.1.
_VARIANT = dict(zip("0123456789abcdef", "89ab" * 4, strict=True))

Resource = dict[str, Any]


class Built(Struct):
    """One resource of the projection with the key it is known by; `entry_id` is None for those of the whole course.

    The resource is not changed any more, so that its bytes are made once, for the Bundle and for the store.
    """

    type: str
    id: str
    entry_id: str | None
    role: str
    resource: Resource
    written: Mapping[str, Any] | None = None  # elements of it whose bytes are known
    _content: bytes | None = None

    @property
    def content(self) -> bytes:
        """The resource as FHIR JSON."""
        if self._content is None:
            self._content = wire.write(self.resource if self.written is None else {**self.resource, **self.written})
        return self._content

    @property
    def reference(self) -> str:
        """The relative reference to it."""
        return f"{self.type}/{self.id}"


class Ids(dict[str, str]):
    """Role -> UUIDv5 over (site, course, entry, role); made when first asked for, kept for what refers to it.

    What all names of an entry begin with is digested once.
    """

    __slots__ = ("_begun",)

    def __init__(self, begins: bytes) -> None:
        super().__init__()
        self._begun = hashlib.sha1(begins, usedforsecurity=False)

    def __missing__(self, role: str) -> str:
        digest = self._begun.copy()
        digest.update(role.encode())
        h = digest.hexdigest()  # as in `_uuid5_text`, without a call for each of hundreds
        own = self[role] = f"{h[:8]}-{h[8:12]}-5{h[13:16]}-{_VARIANT[h[16]]}{h[17:20]}-{h[20:32]}"
        return own


class Names:
    """The names of one entry's resources (or of the course's own, with `entry_id` None): id and identifier by role."""

    __slots__ = ("_prefix", "_system", "entry_id", "ids")

    def __init__(self, site: str, system: str, course_id: str, entry_id: str | None) -> None:
        self.entry_id = entry_id
        self._system = system
        self._prefix = f"{course_id}/" if entry_id is None else f"{course_id}/{entry_id}/"
        named = SEPARATOR.join((site, course_id, entry_id or "", ""))
        self.ids = Ids(NAMESPACE.bytes + named.encode())

    def identifier(self, role: str) -> list[dict[str, str]]:
        """The business identifier: `course/entry/role`, or its digest where that is 64 characters or longer."""
        value = self._prefix + role
        if len(value) > LONGEST_IDENTIFIER:
            value = "sha256." + hashlib.sha256(value.encode()).hexdigest()[:56]
        return [{"system": self._system, "value": value}]

    def reference(self, resource_type: str, role: str) -> dict[str, str]:
        """Reference to the resource that this role has."""
        return {"reference": f"{resource_type}/{self.ids[role]}"}


def _uuid5_text(sha1_hex: str) -> str:
    """The text of a version 5 UUID from the SHA-1 of namespace and name; uuid.uuid5 does the same, but slower."""
    h = sha1_hex
    return f"{h[:8]}-{h[8:12]}-5{h[13:16]}-{_VARIANT[h[16]]}{h[17:20]}-{h[20:32]}"


def identifier_system(base: str, site: str) -> str:
    """System of the business identifiers that a site's resources carry."""
    return f"{base}/sid/{quote(site, safe='')}"


def hospital_id(site: str, kind: str, system: str, value: str) -> str:
    """Id of a Patient or Encounter: UUIDv5 over (site, kind, identifier system, identifier value)."""
    named = SEPARATOR.join((site, kind, system, value))
    return _uuid5_text(hashlib.sha1(NAMESPACE.bytes + named.encode(), usedforsecurity=False).hexdigest())
