"""The HTTP/1.1 server, with its own refusals in the shape of every other: what is no HTTP never reaches the routes.

And with the limits that stand before a request: how long its header may take, how many connections are open, how long a
client may take in nothing of its answer.
"""

import asyncio
import logging
import re
import sys
from typing import Any, ClassVar

import h11
from starlette.responses import Response
from uvicorn.protocols.http.h11_impl import H11Protocol

from service import counting
from service.api.limits import Limits
from service.api.outcomes import refused
from service.api.problems import problem

_BELOW_FHIR = re.compile(rb"[^ ]{1,32} (?:https?://[^/ ]*)?/fhir[/? ]")
_KEPT = 512
_LINGER_S = 1.0  # closed at once, with bytes unread, the connection would be reset and the answer lost on the way
_DETAILS = {
    400: "this is not an HTTP/1.1 request",
    408: "the request's header was not complete in time",
    431: "the header fields are too large",  # RFC 6585
    503: "too many connections are open",
}
_REASONS = {400: "not-http", 408: "slow-header", 431: "not-http", 503: "connections"}
_RETRY_AFTER_S = "5"

log = logging.getLogger(__name__)


class ClosureProtocol(H11Protocol):
    """Answers what is no HTTP with an OperationOutcome below /fhir and a problem document elsewhere."""

    limits: ClassVar[Limits] = Limits()

    def __init__(self, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        self._begun = b""  # of the request that comes or is under way
        self._left = False  # refused: what still comes is not read
        self._header_timer: asyncio.TimerHandle | None = None
        self._stalled_timer: asyncio.TimerHandle | None = None
        self.waiting_since = 0.0

    @property
    def waits(self) -> bool:
        """Whether no request is under way."""
        return self.cycle is None or self.cycle.response_complete

    @property
    def closing(self) -> bool:
        """Whether the connection is on its way out."""
        return self._left or self.transport.is_closing()

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as the class above
        """A new connection. Beyond the limit the one that has waited longest for a request gives way to it."""
        super().connection_made(transport)
        self.waiting_since = self.loop.time()
        if self._room():
            self._settle()
        else:
            self._refuse(503)

    def data_received(self, data: bytes) -> None:
        """Bytes from the client; the beginning of a request tells which side it is meant for."""
        if self._left:
            return
        if self.waits and len(self._begun) < _KEPT:
            self._begun += data[:_KEPT]
        super().data_received(data)
        self._settle()

    def eof_received(self) -> bool | None:  # type: ignore[override]  # the class above closes; asyncio lets one stay
        """The client sends no more: a request that came whole is answered all the same, then the connection closes."""
        if self.scheme == "https":
            return None  # TLS knows no half of a connection
        if self._left:
            return True  # the refusal is still on its way
        if self.waits or self.cycle.more_body:
            return None
        self.cycle.keep_alive = False
        return True

    def on_response_complete(self) -> None:
        """An answer is out: the time of the next header begins."""
        self.waiting_since = self.loop.time()
        self._begun = bytes(self.conn.trailing_data[0][:_KEPT])
        super().on_response_complete()
        self._settle()

    def connection_lost(self, exc: Exception | None) -> None:
        """The connection is gone."""
        for timer in (self._header_timer, self._stalled_timer):
            if timer is not None:
                timer.cancel()
        super().connection_lost(exc)

    def pause_writing(self) -> None:
        """The client takes its answer in more slowly than it is made."""
        super().pause_writing()
        self._stalled_timer = self.loop.call_later(self.limits.answer_stalled_s, self._give_up)

    def resume_writing(self) -> None:
        """It took some of it in."""
        super().resume_writing()
        if self._stalled_timer is not None:
            self._stalled_timer.cancel()

    def shutdown(self) -> None:
        """The service ends: a refusal under way needs nothing more."""
        if self._left:
            self.transport.close()
        else:
            super().shutdown()

    def send_400_response(self, msg: str) -> None:
        """Called by the server where the bytes are no HTTP request."""
        hint = getattr(sys.exc_info()[1], "error_status_hint", 400)
        if self.conn.our_state in (h11.IDLE, h11.SEND_RESPONSE):
            self._refuse(431 if hint == 431 else 400)
        else:
            self.transport.close()

    def _room(self) -> bool:
        open_ones = [each for each in self.connections if isinstance(each, ClosureProtocol) and not each.closing]
        if len(open_ones) <= self.limits.connections:
            return True
        waiting = [each for each in open_ones if each.waits and each is not self]
        if waiting:
            min(waiting, key=lambda each: each.waiting_since).transport.abort()
        return bool(waiting)

    def _settle(self) -> None:
        """The timer of the header runs exactly while no request is under way, from the end of the one before."""
        if not self.waits or self.closing:
            if self._header_timer is not None:
                self._header_timer.cancel()
                self._header_timer = None
        elif self._header_timer is None:
            self._header_timer = self.loop.call_later(self.limits.header_s, self._header_is_late)

    def _header_is_late(self) -> None:
        if self.closing:
            return
        begun = bool(self.conn.trailing_data[0])
        if begun and self.conn.our_state is h11.IDLE:
            self._refuse(408)
        else:
            self.transport.abort()  # nothing was asked, or the rest of a body that was answered trickles on

    def _give_up(self) -> None:
        counting.count("refusals", "answer-stalled")
        self.transport.abort()

    def _refuse(self, status: int) -> None:
        counting.count("refusals", _REASONS[status])
        log.info("no request", extra={"status": status, "reason": _REASONS[status]})
        self._write(refusal(self._begun, status))
        self._left = True
        self._settle()
        if self.transport.can_write_eof():
            self.transport.write_eof()
            self.loop.call_later(_LINGER_S, self.transport.close)
        else:
            self.transport.close()

    def _write(self, answer: Response) -> None:
        headers = [*answer.raw_headers, (b"connection", b"close")]
        events: list[Any] = [
            h11.Response(status_code=answer.status_code, headers=headers),
            h11.Data(data=bytes(answer.body)),
            h11.EndOfMessage(),
        ]
        for event in events:
            if written := self.conn.send(event):
                self.transport.write(written)


def protocol_with(limits: Limits) -> type[ClosureProtocol]:
    """The protocol under limits: the server makes one of this class for each connection."""
    return type("LimitedClosureProtocol", (ClosureProtocol,), {"limits": limits})


def refusal(received: bytes, status: int) -> Response:
    """The answer to what never became a request, by what can be read of it."""
    headers = {"Retry-After": _RETRY_AFTER_S} if status == 503 else {}
    if _BELOW_FHIR.match(received):
        return refused(status, _DETAILS[status], headers)
    answer = problem(status, _DETAILS[status])
    answer.headers.update(headers)
    return answer
