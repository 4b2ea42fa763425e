"""The HTTP/1.1 server, with its own refusals in the shape of every other: what is no HTTP never reaches the routes."""

import re
import sys
from typing import Any

import h11
from starlette.responses import Response
from uvicorn.protocols.http.h11_impl import H11Protocol

from service.api.outcomes import refused
from service.api.problems import problem

_BELOW_FHIR = re.compile(rb"[^ ]{1,32} (?:https?://[^/ ]*)?/fhir[/? ]")
_KEPT = 512
_STATUSES = (400, 431)  # 431: the header fields are too large (RFC 6585)


class ClosureProtocol(H11Protocol):
    """Answers what is no HTTP with an OperationOutcome below /fhir and a problem document elsewhere."""

    _latest = b""

    def data_received(self, data: bytes) -> None:
        """Bytes from the client; their beginning tells which side they were meant for."""
        self._latest = bytes(data[:_KEPT])
        super().data_received(data)

    def send_400_response(self, msg: str) -> None:
        """Called by the server where the bytes are no HTTP request."""
        if self.conn.our_state in (h11.IDLE, h11.SEND_RESPONSE):
            hint = getattr(sys.exc_info()[1], "error_status_hint", 400)
            answer = refusal(self._latest, hint if hint in _STATUSES else 400)
            self._write(answer)
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


def refusal(received: bytes, status: int) -> Response:
    """The answer to bytes that are no HTTP, by what can be read of them."""
    detail = "the header fields are too large" if status == 431 else "this is not an HTTP/1.1 request"
    return refused(status, detail) if _BELOW_FHIR.match(received) else problem(status, detail)
