"""How a message is addressed: host and port of the peer, and what a hospital calls its identifier systems."""

from collections.abc import Iterable

PROCESSING_IDS = ("P", "T", "D")  # table 0103: production, training, debugging
LONGEST_FACILITY = 227  # of MSH-5 and MSH-6, by v2.5.1; from memory


def host_and_port(text: str) -> tuple[str, int]:
    """`engine.example:2575`; ValueError for what is none."""
    host, _, port = text.rpartition(":")
    host = host.strip("[]")
    if not host or not (port.isascii() and port.isdigit() and 0 < int(port) < 65536):
        raise ValueError(f"{text!r} is no host:port")
    return host, int(port)


def authorities(pairs: Iterable[str]) -> dict[str, str]:
    """The name of the assigning authority for each identifier system, from `SYSTEM=NAME` each; ValueError."""
    return dict(_pair(each) for each in pairs)


def _pair(text: str) -> tuple[str, str]:
    system, sign, name = text.rpartition("=")
    if not sign or not system or not name:
        raise ValueError(f"{text!r} is not SYSTEM=NAME")
    return system, name
