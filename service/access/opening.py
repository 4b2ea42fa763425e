"""Whether the service may start, and whether open: decided once, from settings and the clients there are.

Open is the demonstration alone: the demonstration site, a loopback address inside and outside, no client ever
registered. Whatever else lacks a client is refused, so that access control cannot be forgotten.
"""

from urllib.parse import urlsplit

from service.access.faults import StartRefused
from service.config import LOOPBACK
from service.store.access import AccessDatabase
from service.store.client_rows import any_client

DEMONSTRATION_SITE = "demo"
_REGISTER = "register one first: closure-readings clients add NAME --site SITE --jwks FILE|URL --scope SCOPES"


def demonstration_site(database: AccessDatabase, *, host: str, public_base: str, site: str) -> str | None:
    """The site that is open to everybody, or None where access control is on. Raises StartRefused with the reason.

    `host` is the address to bind, `public_base` the address that clients use (behind a TLS terminator another one).
    """
    outside = urlsplit(public_base)
    local = host in LOOPBACK and outside.hostname in LOOPBACK
    with database.read() as connection:
        controlled = any_client(connection)
    if controlled:
        if not local and outside.scheme != "https":
            raise StartRefused(
                "tokens and readings would travel in the clear: CLOSURE_READINGS_PUBLIC_BASE must begin with https:// "
                "(certificate files, or TLS in front of the service) on any address but loopback"
            )
        return None
    if not local:
        raise StartRefused(f"no client is registered, and the service is not on loopback alone; {_REGISTER}")
    if site != DEMONSTRATION_SITE:
        raise StartRefused(f"no client is registered, and {site!r} is not the demonstration site; {_REGISTER}")
    return site


def asked_on_loopback(host_header: str, forwarded: bool) -> bool:
    """Whether a request to the open demonstration is from this machine: named so, and passed on by no proxy.

    A name that a foreign page lets point to loopback, or a proxy put in front, would open it to others.
    """
    try:
        name = urlsplit(f"//{host_header}").hostname
    except ValueError:
        return False
    return not forwarded and name in LOOPBACK
