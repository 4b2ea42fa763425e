"""How long a request's body may take: 408 (RFC 9110 15.5.9) for one that trickles in, and the connection closes."""

from collections.abc import Callable

import anyio
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service import counting


class BodyTime:
    """Counts from the first look at a body to its end, however it is cut; what comes after it is not timed."""

    def __init__(self, app: ASGIApp, within_s: float, monotonic: Callable[[], float]) -> None:
        self._app = app
        self._within_s = within_s
        self._monotonic = monotonic

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request; whoever reads its body gets an HTTPException when the time is over."""
        if scope["type"] == "http":
            receive = _Timed(scope, receive, self._within_s, self._monotonic)
        await self._app(scope, receive, send)


class _Timed:
    def __init__(self, scope: Scope, receive: Receive, within_s: float, monotonic: Callable[[], float]) -> None:
        self._scope = scope
        self._receive = receive
        self._within_s = within_s
        self._monotonic = monotonic
        self._until: float | None = None
        self._whole = False

    async def __call__(self) -> Message:
        if self._whole:
            return await self._receive()
        if self._until is None:
            self._until = self._monotonic() + self._within_s
        message = await self._before(self._until)
        self._whole = message["type"] != "http.request" or not message.get("more_body", False)
        return message

    async def _before(self, until: float) -> Message:
        left = until - self._monotonic()
        if left > 0:
            with anyio.move_on_after(left):
                return await self._receive()
        counting.count("refusals", "slow-body")
        self._scope.setdefault("state", {})["refusal"] = "slow-body"
        detail = f"the body was not complete within {self._within_s:g} s"
        raise HTTPException(408, detail, headers={"Connection": "close"})
