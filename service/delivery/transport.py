"""Requests to one destination. Every fault of the transport is temporary; no answer is waited for without end."""

import ssl
import time
from collections.abc import Callable, Mapping
from typing import NamedTuple

import httpx

from service import __version__
from service.delivery.destination import Destination
from service.delivery.faults import DestinationFault, Temporary

LARGEST_ANSWER = 32 * 1024 * 1024
MEDIA_TYPE = "application/fhir+json"
REQUEST_PARTS = 4  # connecting, sending, waiting and reading may each take the timeout


class Answer(NamedTuple):
    """Status, headers by small names, body."""

    status: int
    headers: Mapping[str, str]
    body: bytes


class Transport:
    """The connection to one destination, kept open between requests. It follows no redirect and asks no proxy."""

    def __init__(self, destination: Destination, timeout_s: float, ticks: Callable[[], float] = time.monotonic) -> None:
        """`ticks` is the monotonic clock, in seconds. DestinationFault for certificates that cannot be used."""
        self._timeout_s = timeout_s
        self._ticks = ticks
        self._client = httpx.Client(
            verify=_trust(destination),
            trust_env=False,
            follow_redirects=False,
            timeout=timeout_s,
            headers={"User-Agent": f"closure-readings/{__version__}", "Accept-Encoding": "identity"},
        )

    def close(self) -> None:
        """Close the connection."""
        self._client.close()

    def post(self, url: str, body: bytes, headers: Mapping[str, str]) -> Answer:
        """Send a FHIR resource."""
        given = {"Content-Type": MEDIA_TYPE, "Accept": MEDIA_TYPE, "Prefer": "return=minimal", **headers}
        return self._ask("POST", url, given, content=body)

    def get(self, url: str, headers: Mapping[str, str]) -> tuple[int, bytes]:
        """Read something small."""
        answer = self._ask("GET", url, headers)
        return answer.status, answer.body

    def post_form(self, url: str, form: Mapping[str, str]) -> tuple[int, bytes]:
        """Send a form, as a token endpoint wants it."""
        answer = self._ask("POST", url, {"Accept": "application/json"}, data=form)
        return answer.status, answer.body

    def _ask(
        self,
        method: str,
        url: str,
        headers: Mapping[str, str],
        content: bytes | None = None,
        data: Mapping[str, str] | None = None,
    ) -> Answer:
        try:
            with self._client.stream(method, url, headers=dict(headers), content=content, data=data) as response:
                body = self._read(response)
                return Answer(response.status_code, dict(response.headers), body)
        except (httpx.HTTPError, httpx.InvalidURL, ssl.SSLError, OSError) as fault:
            raise Temporary(type(fault).__name__) from fault

    def _read(self, response: httpx.Response) -> bytes:
        """The body, while it comes in good time and is not too large."""
        ends = self._ticks() + self._timeout_s
        body = bytearray()
        for piece in response.iter_bytes():
            body += piece
            if len(body) > LARGEST_ANSWER:
                raise Temporary(f"an answer of more than {LARGEST_ANSWER} bytes")
            if self._ticks() > ends:
                raise Temporary("the answer came too slowly")
        return bytes(body)


def _trust(destination: Destination) -> ssl.SSLContext:
    try:
        context = ssl.create_default_context(cafile=destination.ca_file or None)
    except (OSError, ssl.SSLError) as fault:
        raise DestinationFault(f"{destination.ca_file}: these certificates cannot be used") from fault
    context.minimum_version = ssl.TLSVersion.TLSv1_2  # SMART App Launch 2.2.0 asks for no less
    return context
