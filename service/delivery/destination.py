"""A destination: a FHIR server of the hospital or an engine that takes messages, and how it wants to be written to."""

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from service.config import LOOPBACK
from service.delivery.faults import DestinationFault
from service.hl7v2.addressing import LONGEST_FACILITY, PROCESSING_IDS, authorities, host_and_port
from service.store.destination_rows import DestinationRow

MESSAGES = "oru"
WRITINGS = ("put", "conditional", MESSAGES)
PATIENTS = ("conditional", "logical", "own")
SIGN_INS = ("none", "bearer", "smart")
SHARED = ("Patient", "Encounter")  # several courses and other systems speak of them
WITHOUT_IDENTIFIER = frozenset({"Provenance"})  # R4 gives it no business identifier to be recognised by
# In the order in which they stand in a Bundle: what is referred to first, as far as that goes.
SENDABLE = (
    "Patient", "Encounter", "BodyStructure", "Condition", "Goal", "CarePlan", "Device", "Procedure", "Observation",
    "DeviceUseStatement", "Task", "Flag", "DiagnosticReport", "Provenance",
)  # fmt: skip
LONGEST_NAME, LONGEST_URL, MOST_PER_MINUTE = 64, 500, 60_000
OF_MESSAGES = ("receiving_application", "receiving_facility", "processing_id", "authorities", "plain")
OF_RESOURCES = ("patients", "types", "profiles", "sign_in", "secret_file", "client_id", "token_url", "scope")
DEFAULT_SCOPE = "system/*.cruds"
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,63}", re.ASCII)


@dataclass(frozen=True, slots=True)
class Destination:
    """Settings of a destination, checked. `types` and `profiles` empty: all."""

    site: str
    name: str
    url: str  # base of the FHIR API, without a slash at its end; mllp://host:port or mllps://host:port
    writing: str = "put"
    patients: str = "conditional"
    types: tuple[str, ...] = ()
    profiles: tuple[str, ...] = ()
    sign_in: str = "none"
    secret_file: str = ""
    client_id: str = ""
    token_url: str = ""
    scope: str = ""
    ca_file: str = ""
    per_minute: int = 0
    receiving_application: str = ""
    receiving_facility: str = ""
    processing_id: str = "P"
    authorities: tuple[str, ...] = ()  # SYSTEM=NAME each
    plain: bool = False  # messages without TLS although the peer is not on this machine
    paused: bool = False

    @property
    def assigns_ids(self) -> bool:
        """Whether the other server gives the ids."""
        return self.writing == "conditional"

    @property
    def by_message(self) -> bool:
        """Whether it is sent HL7 v2 messages."""
        return self.writing == MESSAGES

    @property
    def peer(self) -> tuple[str, int]:
        """Host and port of who is sent messages."""
        return host_and_port(self.url.partition("://")[2])

    @property
    def pace_us(self) -> int:
        """Microseconds between two requests."""
        return 60_000_000 // self.per_minute if self.per_minute else 0

    @property
    def sent_types(self) -> tuple[str, ...]:
        """Resource types that go there."""
        kept = self.types or SENDABLE
        if self.patients != "own":
            kept = tuple(each for each in kept if each not in SHARED)
        return tuple(each for each in kept if not (self.assigns_ids and each in WITHOUT_IDENTIFIER))

    def sends(self, resource: dict[str, Any]) -> bool:
        """Whether a resource goes there: its type, and a profile that it claims where some are named."""
        if resource["resourceType"] not in self.sent_types:
            return False
        claimed = resource.get("meta", {}).get("profile", ())
        return not self.profiles or resource["resourceType"] in SHARED or bool(set(self.profiles) & set(claimed))


def destination_of(row: DestinationRow) -> Destination:
    """The destination of a row."""
    given = {name: value for name, value in row._asdict().items() if name in Destination.__slots__}
    listed = {"types": row.types.split(), "profiles": row.profiles.split(), "authorities": row.authorities.splitlines()}
    return Destination(**given | {name: tuple(values) for name, values in listed.items()})


def row_values(destination: Destination) -> dict[str, Any]:
    """The settings as columns."""
    found = {name: getattr(destination, name) for name in Destination.__slots__}
    listed = {"types": " ".join(destination.types), "profiles": " ".join(destination.profiles)}
    return found | listed | {"authorities": "\n".join(destination.authorities)}


def checked(destination: Destination) -> Destination:
    """The destination, where it can be used; DestinationFault says what to change."""
    if not _NAME.fullmatch(destination.name):
        raise DestinationFault("a name has up to 64 small letters, digits and hyphens")
    for value, known, what in (
        (destination.writing, WRITINGS, "writing"),
        (destination.patients, PATIENTS, "patients"),
        (destination.sign_in, SIGN_INS, "sign-in"),
    ):
        if value not in known:
            raise DestinationFault(f"{what} is one of {', '.join(known)}")
    if strange := [each for each in destination.types if each not in SENDABLE]:
        raise DestinationFault(f"{strange[0]} is not sent; resource types are {', '.join(SENDABLE)}")
    if not 0 <= destination.per_minute <= MOST_PER_MINUTE:
        raise DestinationFault(f"requests per minute are 1 to {MOST_PER_MINUTE}, or 0 for no limit")
    if destination.by_message:
        _check_messages(destination)
    else:
        _check_resources(destination)
    _check_sign_in(destination)
    if destination.ca_file and not Path(destination.ca_file).is_file():
        raise DestinationFault(f"{destination.ca_file}: no such file of certificates")
    return destination


def check_url(url: str, what: str) -> None:
    """DestinationFault unless it is an https URL (http on loopback) without user, query and fragment."""
    if len(url) > LONGEST_URL or not url.isascii() or not url.isprintable() or " " in url or "\\" in url:
        raise DestinationFault(f"{what} is printable ASCII of at most {LONGEST_URL} characters")
    try:
        parts = urlsplit(url)
        _ = parts.port
    except ValueError as fault:
        raise DestinationFault(f"{what} cannot be read") from fault
    if parts.username is not None or parts.password is not None or parts.query or parts.fragment or not parts.hostname:
        raise DestinationFault(f"{what} has a host, no user, no query and no fragment")
    if parts.scheme != "https" and not (parts.scheme == "http" and parts.hostname in LOOPBACK):
        raise DestinationFault(f"{what} begins with https:// (http:// on a loopback address only)")


def _check_resources(destination: Destination) -> None:
    check_url(destination.url, "the URL of a destination")
    if destination.url.endswith("/"):
        raise DestinationFault("the URL of a destination ends without a slash")
    for name in OF_MESSAGES:
        if getattr(destination, name) != Destination.__dataclass_fields__[name].default:
            raise DestinationFault(f"--{_option(name)} is for --writing {MESSAGES}")


def _check_messages(destination: Destination) -> None:
    scheme, _, address = destination.url.partition("://")
    if scheme not in ("mllp", "mllps"):
        raise DestinationFault("with --writing oru the URL is mllps://HOST:PORT, or mllp:// without TLS")
    for name in OF_RESOURCES:
        if getattr(destination, name) != Destination.__dataclass_fields__[name].default:
            raise DestinationFault(f"--{_option(name)} is not for --writing {MESSAGES}")
    try:
        host, _ = host_and_port(address)
        authorities(destination.authorities)
    except ValueError as fault:
        raise DestinationFault(str(fault)) from fault
    if scheme == "mllp" and host not in LOOPBACK and not destination.plain:
        raise DestinationFault("readings would travel in the clear: mllps://, or --plain where the line is protected")
    if destination.processing_id not in PROCESSING_IDS:
        raise DestinationFault(f"the processing id is one of {', '.join(PROCESSING_IDS)}")
    named = (destination.receiving_application, destination.receiving_facility, *destination.authorities)
    if any(len(text) > LONGEST_FACILITY or not text.isprintable() for text in named):
        raise DestinationFault(f"names in a message are printable, of at most {LONGEST_FACILITY} characters")


def _option(name: str) -> str:
    return {"types": "type", "profiles": "profile", "authorities": "authority"}.get(name, name.replace("_", "-"))


def _check_sign_in(destination: Destination) -> None:
    needs = {"none": (), "bearer": ("secret_file",), "smart": ("secret_file", "client_id")}[destination.sign_in]
    words = {"secret_file": "a file (--secret-file)", "client_id": "a client id (--client-id)"}
    for name in needs:
        if not getattr(destination, name):
            raise DestinationFault(f"sign-in {destination.sign_in} needs {words[name]}")
    if destination.secret_file and destination.sign_in == "none":
        raise DestinationFault("a secret file is for sign-in bearer or smart")
    if destination.secret_file and not Path(destination.secret_file).is_file():
        raise DestinationFault(f"{destination.secret_file}: no such file")
    if destination.token_url:
        check_url(destination.token_url, "the URL of the token endpoint")
