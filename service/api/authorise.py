"""What a route asks before it does anything: `access = await authorise(request)`, then `access.require(...)`.

Unauthorised becomes 401 with a challenge, Forbidden 403 (RFC 6750 3); `as_http` makes either the framework's exception,
which each side of the service answers in its own shape.
"""

from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from datetime import datetime

from anyio import to_thread
from starlette.exceptions import HTTPException
from starlette.requests import Request

from service.access.faults import Forbidden, Unauthorised
from service.access.gate import Access, Gate
from service.access.opening import asked_on_loopback
from service.store.nearby import NotNearby

Authorise = Callable[[Request], Awaitable[Access]]
_FORWARDED = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip", "via")


def authorisation(gate: Gate, clock: Callable[[], datetime]) -> Authorise:
    """The dependency of every route that needs a client; raises HTTPException 401 or 403."""

    async def authorise(request: Request) -> Access:
        headers = request.headers
        with as_http():
            access = await _access(gate, headers.getlist("authorization"), clock())
            forwarded = any(name in headers for name in _FORWARDED)
            if access.kind == "demonstration" and not asked_on_loopback(headers.get("host", ""), forwarded):
                raise Forbidden("the open demonstration answers this machine only")
        return access

    return authorise


async def _access(gate: Gate, authorization: list[str], now: datetime) -> Access:
    try:
        return gate.access_nearby(authorization, now)
    except NotNearby:
        return await to_thread.run_sync(gate.access, authorization, now)


@contextmanager
def as_http() -> Iterator[None]:
    """Turn Unauthorised and Forbidden into 401 and 403."""
    try:
        yield
    except Unauthorised as fault:
        raise HTTPException(401, str(fault), {"WWW-Authenticate": _challenge(fault.error, str(fault))}) from fault
    except Forbidden as fault:
        error = "insufficient_scope" if fault.scope else ""
        challenge = _challenge(error, str(fault), fault.scope)
        raise HTTPException(403, str(fault), {"WWW-Authenticate": challenge} if error else None) from fault


def _challenge(error: str, description: str, scope: str = "") -> str:
    parts = {"error": error, "error_description": description if error else "", "scope": scope}
    said = "".join(f', {name}="{value}"' for name, value in parts.items() if value)
    return f'Bearer realm="closure-readings"{said}'
