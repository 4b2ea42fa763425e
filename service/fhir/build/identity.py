"""Where ids come from: the same reading is the same resource, on every machine and in every order of arrival.

Ids are UUIDv5 (RFC 4122, 4.3) over site, course, entry and role; Patient and Encounter over site and the identifier of
the hospital, so that two courses of one patient share the Patient.
"""

import hashlib
from typing import Any, NamedTuple
from urllib.parse import quote
from uuid import UUID

# Made once at random for this project; a new namespace would give every resource a new id.
NAMESPACE = UUID("8a3f5f0e-6a47-4d0b-9a44-1d3b0f6f2c71")
SEPARATOR = "\x1f"  # a control character: no site, id or role can hold one, so no two names run together
LONGEST_IDENTIFIER = 63

Resource = dict[str, Any]


class Built(NamedTuple):
    """One resource of the projection with the key it is known by; `entry_id` is None for those of the whole course."""

    type: str
    id: str
    entry_id: str | None
    role: str
    resource: Resource

    @property
    def reference(self) -> str:
        """The relative reference to it."""
        return f"{self.type}/{self.id}"


class Names:
    """The names of one entry's resources (or of the course's own, with `entry_id` None): id and identifier by role."""

    __slots__ = ("_digest", "_ids", "_prefix", "_system", "entry_id")

    def __init__(self, site: str, system: str, course_id: str, entry_id: str | None) -> None:
        self.entry_id = entry_id
        self._system = system
        self._ids: dict[str, str] = {}
        self._prefix = f"{course_id}/" if entry_id is None else f"{course_id}/{entry_id}/"
        named = SEPARATOR.join((site, course_id, entry_id or "", ""))
        self._digest = hashlib.sha1(NAMESPACE.bytes + named.encode(), usedforsecurity=False)

    def id(self, role: str) -> str:
        """UUIDv5 over (site, course, entry, role); kept, since what refers to a resource asks for it again."""
        found = self._ids.get(role)
        if found is None:
            digest = self._digest.copy()
            digest.update(role.encode())
            found = self._ids[role] = _uuid5_text(digest.hexdigest())
        return found

    def identifier(self, role: str) -> list[dict[str, str]]:
        """The business identifier: `course/entry/role`, or its digest where that is 64 characters or longer."""
        value = self._prefix + role
        if len(value) > LONGEST_IDENTIFIER:
            value = "sha256." + hashlib.sha256(value.encode()).hexdigest()[:56]
        return [{"system": self._system, "value": value}]

    def reference(self, resource_type: str, role: str) -> dict[str, str]:
        """Reference to the resource that this role has."""
        return {"reference": f"{resource_type}/{self.id(role)}"}


def _uuid5_text(sha1_hex: str) -> str:
    """The text of a version 5 UUID from the SHA-1 of namespace and name; uuid.uuid5 does the same, but slower."""
    variant = "89ab"[int(sha1_hex[16], 16) & 3]
    return f"{sha1_hex[:8]}-{sha1_hex[8:12]}-5{sha1_hex[13:16]}-{variant}{sha1_hex[17:20]}-{sha1_hex[20:32]}"


def identifier_system(base: str, site: str) -> str:
    """System of the business identifiers that a site's resources carry."""
    return f"{base}/sid/{quote(site, safe='')}"


def hospital_id(site: str, kind: str, system: str, value: str) -> str:
    """Id of a Patient or Encounter: UUIDv5 over (site, kind, identifier system, identifier value)."""
    named = SEPARATOR.join((site, kind, system, value))
    return _uuid5_text(hashlib.sha1(NAMESPACE.bytes + named.encode(), usedforsecurity=False).hexdigest())
