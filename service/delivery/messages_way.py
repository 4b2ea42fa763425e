"""Sending by HL7 v2: one ORU^R01 for each entry whose readings changed, over MLLP, one after the other.

An entry is told again when a version of its Observations or Procedures is there that the peer was not told of. The
control id is remembered with those versions: the same content is the same message (`service.hl7v2.oru`).
"""

import ssl
from dataclasses import dataclass, field
from pathlib import Path

from service.delivery.destination import Destination
from service.delivery.faults import DestinationFault, Refused, Temporary
from service.delivery.judging import LONGEST_WORDS
from service.delivery.resources_way import NOT_SENT
from service.delivery.ways import Answered, Turn
from service.hl7v2.addressing import authorities
from service.hl7v2.codes import V2Codes, read_v2_codes
from service.hl7v2.gathering import NothingToTell, charted_entry
from service.hl7v2.mllp import Acknowledged, send
from service.hl7v2.mllp import Refused as RefusedByPeer
from service.hl7v2.observations import Vocabulary
from service.hl7v2.oru import Envelope, oru_r01
from service.store import Reading
from service.store.delivered_rows import Delivered, delivered
from service.store.entry_rows import EntryVersion, versions_of_entries
from service.store.outbox_rows import OutboxRow, waiting_of
from service.terminology import Terminology

TOLD = ("Observation", "Procedure")  # what a message is made of and changes with the entry
ACCEPTED, UNPROCESSABLE = 200, 422


@dataclass(slots=True)
class Message(Turn):
    """The message of one entry. `missing`: why there is none, for a person; `last`: nothing else is left to be told."""

    versions: list[EntryVersion] = field(default_factory=list)
    content: bytes = b""
    missing: str = ""
    last: bool = True

    @property
    def told(self) -> list[str]:
        """References to the versions that the message is made of."""
        return [f"{each.type}/{each.id}/_history/{each.version}" for each in self.versions]


class MessagesWay:
    """Messages to an MLLP peer."""

    def __init__(self, destination: Destination, tables: Path, terms: Terminology, timeout_s: float) -> None:
        """DestinationFault or TerminologyFault where the settings cannot be used."""
        self._destination = destination
        self._timeout_s = timeout_s
        self._codes: V2Codes = read_v2_codes(tables)
        self._tls = peer_trust(destination)
        named = authorities(destination.authorities)
        self._words = Vocabulary(terms, self._codes, named)
        self._envelope = Envelope(
            sending_facility=destination.site,
            receiving_application=destination.receiving_application,
            receiving_facility=destination.receiving_facility,
            processing_id=destination.processing_id,
            authorities=named,
        )

    def gather(self, reading: Reading, patient: str) -> Message | None:
        """The first entry of the course whose turn it is that the peer was not told of as it stands."""
        site, name = self._destination.site, self._destination.name
        rows = waiting_of(reading.connection, site, name, patient)
        if not rows:
            return None
        turn = Message(rows[0].course_id, patient, rows)
        entries = self._changed(reading, turn.course_id, rows)
        if not entries:
            return turn
        entry_id, turn.versions = entries[0]
        turn.last = len(entries) == 1
        try:
            charted = charted_entry(reading, turn.course_id, entry_id)
            turn.content = oru_r01(charted, self._envelope, self._words)
        except NothingToTell as fault:
            turn.missing = str(fault)
        return turn

    def send(self, turn: Message, request_id: str) -> Answered:
        """One message and its acknowledgement; `request_id` stays here, since a message has a control id."""
        if turn.missing:
            raise Refused("there is no message to send", f"not sent: {turn.missing}", NOT_SENT)
        host, port = self._destination.peer
        answer = send(turn.content, host, port, self._tls, self._timeout_s, self._codes)
        if isinstance(answer, Acknowledged):
            told = [Delivered(each.type, each.id, answer.control_id, each.version, False) for each in turn.versions]
            return Answered(told, turn.last, ACCEPTED)
        if isinstance(answer, RefusedByPeer):
            words = f"{answer.code}: {answer.why}"[:LONGEST_WORDS].replace("\x00", "")
            raise Refused("the message was acknowledged as refused", words, UNPROCESSABLE)
        raise Temporary(answer.why, whole_server=not answer.locked)

    def close(self) -> None:
        """Nothing is kept open between messages."""

    def _changed(self, reading: Reading, course_id: str, rows: list[OutboxRow]) -> list[tuple[str, list[EntryVersion]]]:
        """Entries with a written resource that the peer was not told of in this version, in the order of charting."""
        everything = any(row.keys is None for row in rows)
        written = {key for row in rows for key in row.keys or ()}
        versions = versions_of_entries(reading, course_id, TOLD)
        keys = [(each.type, each.id) for each in versions]
        known = delivered(reading.connection, self._destination.site, self._destination.name, keys)
        by_entry: dict[str, list[EntryVersion]] = {}
        for each in versions:
            by_entry.setdefault(each.entry_id, []).append(each)
        return [
            (entry_id, found)
            for entry_id, found in by_entry.items()
            if any(each.type == "Observation" for each in found)
            and any(
                (everything or (each.type, each.id) in written) and _is_new(each, known.get((each.type, each.id)))
                for each in found
            )
        ]


def peer_trust(destination: Destination) -> ssl.SSLContext | None:
    """TLS as the destination asks for it; None for a plain line. DestinationFault for certificates of no use."""
    if not destination.url.startswith("mllps:"):
        return None
    try:
        return ssl.create_default_context(cafile=destination.ca_file or None)
    except (OSError, ssl.SSLError) as fault:
        raise DestinationFault(f"{destination.ca_file}: these certificates cannot be used") from fault


def _is_new(each: EntryVersion, known: Delivered | None) -> bool:
    return known is None or known.version != each.version
