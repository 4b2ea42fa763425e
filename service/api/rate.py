"""How often a client may ask: token buckets. RFC 6585 section 4: 429, with Retry-After in whole seconds.

A bucket holds a minute's worth and fills evenly. Buckets stand in the memory of one process: several processes grant
each their own.
"""

import math
from collections import OrderedDict
from collections.abc import Callable
from functools import lru_cache
from ipaddress import IPv6Address, ip_address

from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Receive, Scope, Send

from service import counting
from service.api.limits import Limits
from service.api.outcomes import refused
from service.api.problems import problem

TOKEN_PATH = "/auth/token"
MOST_BUCKETS = 10_000
_MINUTE_S = 60.0


class Buckets:
    """A bucket for each key; the least recently used is given up beyond `most`, and would begin full again.

    Nothing is lost by it as long as fewer than `most` keys ask within a minute: by then a bucket is full anyway.
    """

    def __init__(self, per_minute: int, monotonic: Callable[[], float], most: int = MOST_BUCKETS) -> None:
        self._per_minute = per_minute
        self._monotonic = monotonic
        self._most = most
        self._kept: OrderedDict[str, tuple[float, float]] = OrderedDict()  # tokens, and when there were so many

    def __len__(self) -> int:
        return len(self._kept)

    def take(self, key: str) -> int:
        """Take one token; 0 when there was one, else the whole seconds until there is."""
        if not self._per_minute:
            return 0
        tokens = self._now(key)
        if tokens >= 1:
            self._keep(key, tokens - 1)
            return 0
        self._keep(key, tokens)
        return max(1, math.ceil((1 - tokens) * _MINUTE_S / self._per_minute))

    def give_back(self, key: str) -> None:
        """Put a token back that turned out to be somebody else's to pay."""
        if self._per_minute:
            self._keep(key, min(self._now(key) + 1, self._per_minute))

    def _now(self, key: str) -> float:
        tokens, then = self._kept.get(key, (float(self._per_minute), self._monotonic()))
        return min(tokens + (self._monotonic() - then) * self._per_minute / _MINUTE_S, self._per_minute)

    def _keep(self, key: str, tokens: float) -> None:
        self._kept[key] = (tokens, self._monotonic())
        self._kept.move_to_end(key)
        if len(self._kept) > self._most:
            self._kept.popitem(last=False)


class AddressRate:
    """Before the door: by address, for requests that nobody signed in for.

    Requests that show a token have a bucket of their own at each address, and get back what they took when the token is
    good. So nobody without a token can shut out those who have one at the same address, and guessing tokens ends soon.
    """

    def __init__(self, app: ASGIApp, limits: Limits, monotonic: Callable[[], float]) -> None:
        self._app = app
        self._open = Buckets(limits.requests_per_minute, monotonic)
        self._shown = Buckets(limits.requests_per_minute, monotonic)
        self._tokens = Buckets(limits.token_requests_per_minute, monotonic)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request, or answer 429."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        key = address_of(scope)
        buckets = self._buckets(scope)
        if wait_s := buckets.take(key):
            await too_many(scope, receive, send, wait_s)
            return
        await self._app(scope, receive, send)
        if scope.get("state", {}).get("audited_client"):
            buckets.give_back(key)

    def _buckets(self, scope: Scope) -> Buckets:
        if scope["path"] == TOKEN_PATH:
            return self._tokens
        return self._shown if "authorization" in Headers(scope=scope) else self._open


class ClientRate:
    """At the door, once it is known who asks: by client, whatever its addresses and tokens are."""

    def __init__(self, limits: Limits, monotonic: Callable[[], float]) -> None:
        self._buckets = Buckets(limits.requests_per_minute, monotonic)

    def require(self, client_id: str) -> None:
        """Raise HTTPException 429 for a request beyond what the client may ask."""
        if wait_s := self._buckets.take(client_id):
            raise HTTPException(429, _detail(wait_s), headers={"Retry-After": str(wait_s)})


def address_of(scope: Scope) -> str:
    """The client's address; of IPv6 the network, since whoever has one address there has 2^64 (RFC 6177)."""
    client = scope.get("client")
    return _network(str(client[0])) if client else ""


@lru_cache(maxsize=MOST_BUCKETS)
def _network(text: str) -> str:
    try:
        address = ip_address(text)
    except ValueError:
        return text
    if not isinstance(address, IPv6Address):
        return text
    return str(address.ipv4_mapped) if address.ipv4_mapped else str(int(address) >> 64)


async def too_many(scope: Scope, receive: Receive, send: Send, wait_s: int) -> None:
    """Answer 429 in the shape of the side that was asked."""
    path = scope["path"]
    reason = "token-rate" if path == TOKEN_PATH else "rate"
    counting.count("refusals", reason)
    scope.setdefault("state", {})["refusal"] = reason
    headers = {"Retry-After": str(wait_s)}
    if path == "/fhir" or path.startswith("/fhir/"):
        answer = refused(429, _detail(wait_s), headers)
    else:
        answer = problem(429, _detail(wait_s))
        answer.headers.update(headers)
    await answer(scope, receive, send)


def _detail(wait_s: int) -> str:
    return f"too many requests; the next one is served in {wait_s} s"
