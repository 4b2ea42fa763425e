"""Where notifications may go: hosts that the operator named, over TLS unless it is this machine."""

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from service.config import LOOPBACK

HOSTS, CA_FILE = "CLOSURE_READINGS_SUBSCRIPTION_HOSTS", "CLOSURE_READINGS_SUBSCRIPTION_CA_FILE"
LONGEST_URL = 500
_HOST = re.compile(r"(?:[a-z0-9](?:[a-z0-9.-]{0,251}[a-z0-9])?|\[[0-9a-f:]+\])(?::\d{1,5})?")


@dataclass(frozen=True, slots=True)
class Endpoints:
    """What the operator allows. Nothing is sent anywhere unless its host is named."""

    hosts: frozenset[str] = frozenset()  # `host` on the usual port, or `host:port`
    ca_file: Path | None = None

    def fault(self, url: str) -> str | None:
        """Why nothing may be sent there, or None where it may."""
        try:
            parts = urlsplit(url)
            _ = parts.port  # a ValueError for a port that is none
        except ValueError:
            return "is no URL"
        if len(url) > LONGEST_URL or not url.isascii() or not url.isprintable() or " " in url or "\\" in url:
            return f"must be of at most {LONGEST_URL} printable ASCII characters"
        if parts.scheme not in ("http", "https") or not parts.hostname:
            return "must be a URL of https"
        if parts.username is not None or parts.password is not None or parts.fragment:
            return "must hold neither a sign-in nor a fragment; channel.header is where a sign-in belongs"
        if parts.scheme == "http" and parts.hostname not in LOOPBACK:
            return "must be a URL of https"
        if parts.netloc.lower() not in self.hosts:
            return f"is on a host that the operator of this service does not allow ({HOSTS})"
        return None


def endpoints_from(environment: Mapping[str, str] = os.environ) -> Endpoints:
    """Read the operator's settings. ValueError names what cannot be used."""
    hosts = environment.get(HOSTS, "").replace(",", " ").split()
    if strange := [host for host in hosts if not _HOST.fullmatch(host)]:
        raise ValueError(f"{HOSTS}: {strange[0]!r} is no host name or host:port in lower case")
    ca_file = environment.get(CA_FILE)
    return Endpoints(frozenset(hosts), Path(ca_file) if ca_file else None)
