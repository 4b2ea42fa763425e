"""MLLP: one message to one peer, and what its acknowledgement means. TCP, optionally TLS.

A block is `<VT> message <FS><CR>` (Minimal Lower Layer Protocol, HL7 v2 transport specification; from memory). What the
codes of an acknowledgement mean stands in `mappings/hl7v2.csv`: AE and AR are final, a person has to look; a locked
record and every fault of the way are temporary, the same message may be sent again. Its control id stays the same, so
that a peer which stored it before its answer was lost can tell.
"""

import socket
import ssl
import time
from dataclasses import dataclass

from service.hl7v2.codes import ACCEPTED, TEMPORARY, V2Codes
from service.hl7v2.segments import END

START, STOP = b"\x0b", b"\x1c\r"
LARGEST_ANSWER = 64 * 1024
_CHUNK = 4096


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """The peer took the message."""

    code: str
    control_id: str


@dataclass(frozen=True, slots=True)
class Refused:
    """The peer will not take this message; sending it again does not help."""

    code: str
    why: str  # the peer's own words


@dataclass(frozen=True, slots=True)
class Temporary:
    """Send it again later; where `may_have_arrived`, the peer may have stored it all the same.

    `why` is ours and may stand in a log; `words` are the peer's, for a person. `locked`: it is about this one record.
    """

    why: str
    may_have_arrived: bool
    words: str = ""
    locked: bool = False


Answer = Acknowledged | Refused | Temporary


def send(message: bytes, host: str, port: int, tls: ssl.SSLContext | None, timeout: float, codes: V2Codes) -> Answer:
    """Send one message and wait for its acknowledgement, `timeout` seconds in all. Faults of the way are no exceptions.

    ValueError for a message that holds a framing byte, or no control id: those would never be understood.
    """
    control_id = _control_id(message)
    if START in message or STOP[:1] in message:
        raise ValueError("the message holds a byte that frames messages")
    until = time.monotonic() + timeout
    sent = False
    try:
        with _connection(host, port, tls, until) as peer:
            peer.settimeout(_left(until))
            sent = True  # from the first byte on nobody knows what arrived
            peer.sendall(START + message + STOP)
            answer = _block(peer, until)
    except (OSError, _Unframed) as fault:
        return Temporary(str(fault) or type(fault).__name__, sent)
    return read_answer(answer, control_id, codes)


def reach(host: str, port: int, tls: ssl.SSLContext | None, timeout: float) -> str | None:
    """Connect and say nothing; why that failed, or None."""
    try:
        _connection(host, port, tls, time.monotonic() + timeout).close()
    except OSError as fault:
        return str(fault) or type(fault).__name__
    return None


def read_answer(answer: bytes, control_id: str, codes: V2Codes) -> Answer:
    """What an acknowledgement means for the message of that control id."""
    segments = [part.split("|") for part in answer.decode("utf-8", "replace").replace("\n", END).split(END) if part]
    named = {fields[0]: fields for fields in reversed(segments)}
    told = named.get("MSA", [])
    if len(told) < 3 or "MSH" not in named:
        return Temporary("the answer is no acknowledgement", may_have_arrived=True)
    code, answered = told[1], told[2]
    meaning = codes.get("acknowledgement", code)
    if answered != control_id:
        return Temporary("the answer acknowledges a different message", may_have_arrived=True)
    if meaning is None:
        return Temporary("the acknowledgement code is not known", may_have_arrived=True, words=code)
    if meaning == ACCEPTED:
        return Acknowledged(code, control_id)
    why = _why(told, named.get("ERR", []))
    if codes.get("error-condition", _condition(named.get("ERR", []))) == TEMPORARY:
        return Temporary("the peer has the record locked", False, f"{code}: {why}", locked=True)
    return Refused(code, why)


def _connection(host: str, port: int, tls: ssl.SSLContext | None, until: float) -> socket.socket:
    plain = socket.create_connection((host, port), timeout=_left(until))
    if tls is None:
        return plain
    try:
        return tls.wrap_socket(plain, server_hostname=host)
    except BaseException:
        plain.close()
        raise


def _block(peer: socket.socket, until: float) -> bytes:
    """One framed block; what stands before it is passed over, as the specification asks."""
    received = b""
    while STOP not in received:
        if len(received) > LARGEST_ANSWER:
            raise _Unframed("the answer is too long")
        peer.settimeout(_left(until))
        chunk = peer.recv(_CHUNK)
        if not chunk:
            raise _Unframed("the peer closed the connection before its answer was whole")
        received += chunk
    block = received[: received.index(STOP)]
    if START not in block:
        raise _Unframed("the answer is not framed")
    return block[block.index(START) + 1 :]


class _Unframed(Exception):
    """The answer is no block."""


def _left(until: float) -> float:
    left = until - time.monotonic()
    if left <= 0:
        raise TimeoutError("timed out")
    return left


def _control_id(message: bytes) -> str:
    fields = message.partition(END.encode())[0].decode().split("|")
    if len(fields) < 10 or fields[0] != "MSH" or not fields[9]:
        raise ValueError("the message has no control id")
    return fields[9]


def _condition(error: list[str]) -> str:
    """ERR-3 of v2.5, or the first component of its older ERR-1 that holds a code."""
    return error[3].partition("^")[0] if len(error) > 3 else ""


def _why(told: list[str], error: list[str]) -> str:
    """The words of ERR-8, ERR-7 or ERR-3, else those of MSA-3."""
    for place in (8, 7, 3):
        if len(error) > place and error[place]:
            return error[place]
    return told[3] if len(told) > 3 and told[3] else "no reason given"
