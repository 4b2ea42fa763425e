"""`hl7v2`: the readings of one entry as an HL7 v2.5.1 message, printed or sent."""

import ssl
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from service.config import LOOPBACK, Settings, settings_from
from service.hl7v2.addressing import PROCESSING_IDS, authorities, host_and_port
from service.hl7v2.codes import V2Codes, read_v2_codes
from service.hl7v2.gathering import NothingToTell, charted_entry
from service.hl7v2.mllp import Acknowledged, Refused, send
from service.hl7v2.observations import Vocabulary
from service.hl7v2.oru import Envelope, oru_r01
from service.hl7v2.segments import END
from service.store import open_store
from service.terminology import load

TEMPORARY = 75  # EX_TEMPFAIL of sysexits.h: try again later


@dataclass(frozen=True, slots=True)
class Peer:
    """Where a message goes."""

    address: str  # host:port
    tls: bool = False
    ca_file: Path | None = None
    plain: bool = False  # without TLS although the peer is not on this machine
    timeout_s: float = 30


@dataclass(frozen=True, slots=True)
class Asked:
    """Which entry, and how the message is addressed; `authorities`: `SYSTEM=NAME` each; no site: the configured one."""

    course: str
    entry: str
    site: str = ""
    receiving_application: str = ""
    receiving_facility: str = ""
    processing_id: str = "P"
    authorities: Sequence[str] = ()


def print_or_send(asked: Asked, peer: Peer | None) -> int:
    """0 printed or acknowledged, 1 nothing to tell or refused, 2 asked wrongly, 75 not now: send it again later."""
    settings = settings_from()
    if asked.site:
        settings = replace(settings, site=asked.site)
    codes = read_v2_codes(settings.mappings)
    try:
        address = None if peer is None else _address(peer)
        envelope = _envelope(asked, settings.site)
        message = _message(settings, codes, asked, envelope)
    except ValueError as fault:
        print(fault, file=sys.stderr)
        return 2
    except NothingToTell as fault:
        print(fault, file=sys.stderr)
        return 1
    if peer is None or address is None:
        sys.stdout.buffer.write(message.replace(END.encode(), b"\n"))
        return 0
    return _send(message, address, peer, codes)


def _envelope(asked: Asked, site: str) -> Envelope:
    if asked.processing_id not in PROCESSING_IDS:
        raise ValueError(f"the processing id is one of {', '.join(PROCESSING_IDS)}")
    named = authorities(asked.authorities)
    return Envelope(
        sending_facility=site,
        receiving_application=asked.receiving_application,
        receiving_facility=asked.receiving_facility,
        processing_id=asked.processing_id,
        authorities=named,
    )


def _message(settings: Settings, codes: V2Codes, asked: Asked, envelope: Envelope) -> bytes:
    store = open_store(settings.database_url, settings.synchronous)
    try:
        store.ready()
        with store.read(settings.site) as reading:
            charted = charted_entry(reading, asked.course, asked.entry)
    finally:
        store.close()
    return oru_r01(charted, envelope, Vocabulary(load(settings.mappings), codes, envelope.authorities))


def _send(message: bytes, address: tuple[str, int], peer: Peer, codes: V2Codes) -> int:
    context = ssl.create_default_context(cafile=peer.ca_file) if peer.tls else None
    match send(message, *address, context, peer.timeout_s, codes):
        case Acknowledged(code, control_id):
            print(f"{control_id} acknowledged: {code}", file=sys.stderr)
            return 0
        case Refused(code, why):
            print(f"refused: {code} {why}", file=sys.stderr)
            return 1
        case fault:
            print(f"not now: {' '.join((fault.why, fault.words)).strip()}", file=sys.stderr)
            return TEMPORARY


def _address(peer: Peer) -> tuple[str, int]:
    host, port = host_and_port(peer.address)
    if not (peer.tls or peer.plain or host in LOOPBACK):
        raise ValueError(
            "readings would travel in the clear: add --tls, or --plain on a line that is protected otherwise"
        )
    return host, port
