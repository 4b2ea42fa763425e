"""Settings of access, read from the environment once, at the edge."""

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from service.config import LOOPBACK

LARGEST_SKEW_S = 60
_HOST = re.compile(r"(?:[a-z0-9](?:[a-z0-9.-]{0,251}[a-z0-9])?|\[[0-9a-f:]+\])(?::\d{1,5})?")


@dataclass(frozen=True, slots=True)
class AccessSettings:
    """What a deployment decides about access. Nothing is fetched and nothing is framed unless it is named here."""

    jwks_hosts: frozenset[str] = frozenset()
    jwks_ca_file: Path | None = None
    frame_origins: tuple[str, ...] = ()
    more_audiences: tuple[str, ...] = ()
    clock_skew_s: int = 0


def access_settings_from(environment: Mapping[str, str] = os.environ) -> AccessSettings:
    """Read `CLOSURE_READINGS_*`; what is absent keeps its default. ValueError names what cannot be used."""
    hosts = _list(environment, "CLOSURE_READINGS_JWKS_HOSTS")
    if strange := [host for host in hosts if not _HOST.fullmatch(host)]:
        raise ValueError(f"CLOSURE_READINGS_JWKS_HOSTS: {strange[0]!r} is no host name or host:port in lower case")
    origins = _list(environment, "CLOSURE_READINGS_FRAME_ORIGINS")
    for origin in origins:
        check_origin(origin)
    skew = environment.get("CLOSURE_READINGS_CLOCK_SKEW_S", "0")
    if not (skew.isascii() and skew.isdecimal() and int(skew) <= LARGEST_SKEW_S):
        raise ValueError(f"CLOSURE_READINGS_CLOCK_SKEW_S is a whole number of seconds from 0 to {LARGEST_SKEW_S}")
    ca_file = environment.get("CLOSURE_READINGS_JWKS_CA_FILE")
    return AccessSettings(
        frozenset(hosts),
        Path(ca_file) if ca_file else None,
        tuple(origins),
        tuple(_list(environment, "CLOSURE_READINGS_TOKEN_AUDIENCES")),
        int(skew),
    )


def check_origin(origin: str) -> None:
    """Raise ValueError unless it is one origin that a policy can name: scheme and host, no path and no asterisk."""
    parts = urlsplit(origin)
    secure = parts.scheme == "https" or (parts.scheme == "http" and parts.hostname in LOOPBACK)
    if not secure or not _HOST.fullmatch(parts.netloc) or origin != f"{parts.scheme}://{parts.netloc}":
        raise ValueError(f"CLOSURE_READINGS_FRAME_ORIGINS: {origin!r} is no origin such as https://chart.example")


def _list(environment: Mapping[str, str], name: str) -> list[str]:
    return [each.strip() for each in environment.get(name, "").split(",") if each.strip()]
