"""Key sets that clients publish at a URL: fetched from allowed hosts only, kept no longer than their Cache-Control.

Limits: https unless the host is loopback; no redirects; size and time; one fetch of a URL at a time; a fetch for a kid
that the kept set lacks at most every `_REFETCH_EVERY_S`, and after a failure none for `_AFTER_FAILURE_S`, so that
nobody can make this service knock at another's door at will.
"""

import re
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

import requests
from urllib3.exceptions import HTTPError

from service.access.faults import KeySetFault
from service.access.keys import LARGEST_SET, KeyOfClient, PublicKey, fitting_key, read_key_set
from service.config import LOOPBACK

LONGEST_URL = 500
_CONNECT_S, _READ_S, _WHOLE_S = 3.0, 3.0, 8.0
_KEPT_WITHOUT_WORD_S = 300.0  # where the answer has no Cache-Control
_KEPT_AT_MOST_S = 3600.0
_REFETCH_EVERY_S = 30.0
_AFTER_FAILURE_S = 5.0
_MAX_AGE = re.compile(r'(?:^|,)\s*max-age\s*=\s*"?(\d{1,10})"?\s*(?=,|$)', re.IGNORECASE)
_NOT_KEPT = re.compile(r"(?:^|,)\s*no-(?:store|cache)\s*(?:=|,|$)", re.IGNORECASE)


def check_key_set_url(url: str, hosts: frozenset[str]) -> None:
    """Raise KeySetFault unless keys may be fetched there: `hosts` are names, or `name:port` for another port."""
    if len(url) > LONGEST_URL or not url.isascii() or not url.isprintable() or " " in url or "\\" in url:
        raise KeySetFault(f"the URL of a key set is printable ASCII of at most {LONGEST_URL} characters")
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as fault:
        raise KeySetFault("the URL of the key set cannot be read") from fault
    host = parts.hostname or ""
    if parts.username is not None or parts.password is not None or parts.fragment or not host:
        raise KeySetFault("the URL of a key set has a host, no user and no fragment")
    if parts.scheme != "https" and not (parts.scheme == "http" and host in LOOPBACK):
        raise KeySetFault("key sets are fetched by https, from a loopback address also by http")
    name = f"[{host}]" if ":" in host else host
    usual = 443 if parts.scheme == "https" else 80
    allowed = {f"{name}:{port or usual}"} | ({name} if port in (None, usual) else set())
    if not allowed & hosts:
        raise KeySetFault(f"the host {name} is not among those that key sets may be fetched from")


@dataclass(slots=True)
class _Kept:
    """What is known of one URL; times are those of the monotonic clock."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    keys: tuple[KeyOfClient, ...] = ()
    fresh_until: float = float("-inf")
    refetched_at: float = float("-inf")  # for the sake of a kid that the set lacked
    failed_at: float = float("-inf")


class KeySets:
    """Key sets by URL, as this process last fetched them; threads may share it."""

    def __init__(
        self, hosts: frozenset[str], ca_file: Path | None = None, ticks: Callable[[], float] = time.monotonic
    ) -> None:
        """`hosts` may be fetched from; `ca_file` holds certificates to trust instead of the usual ones."""
        self._hosts = hosts
        self._verify: str | bool = str(ca_file) if ca_file else True
        self._ticks = ticks
        self._kept: dict[str, _Kept] = {}
        self._lock = threading.Lock()

    def key(self, url: str, kid: str, algorithm: str) -> PublicKey | None:
        """The single key of that kid and algorithm; a kid that is not there makes it look again, once.

        Raises KeySetFault when the set may not or cannot be fetched, or is none.
        """
        check_key_set_url(url, self._hosts)
        with self._lock:
            kept = self._kept.setdefault(url, _Kept())
        with kept.lock:
            now = self._ticks()
            if now >= kept.fresh_until:
                self._fetch(url, kept)
            elif all(each.kid != kid for each in kept.keys) and now - kept.refetched_at >= _REFETCH_EVERY_S:
                kept.refetched_at = now
                self._fetch(url, kept)
            return fitting_key(kept.keys, kid, algorithm)

    def _fetch(self, url: str, kept: _Kept) -> None:
        if self._ticks() - kept.failed_at < _AFTER_FAILURE_S:
            raise KeySetFault("the key set could not be fetched a moment ago")
        try:
            body, lifetime_s = self._get(url)
            kept.keys = read_key_set(body)
        except (requests.RequestException, HTTPError, UnicodeError, KeySetFault) as fault:
            kept.failed_at = self._ticks()
            why = str(fault) if isinstance(fault, KeySetFault) else type(fault).__name__
            raise KeySetFault(f"the key set could not be fetched: {why}") from fault
        kept.fresh_until = self._ticks() + lifetime_s

    def _get(self, url: str) -> tuple[bytes, float]:
        begun = self._ticks()
        with requests.Session() as session:
            session.trust_env = False  # no .netrc: credentials of this machine are nobody's business there
            headers = {"Accept": "application/json", "Accept-Encoding": "identity"}
            answer = session.get(
                url,
                headers=headers,
                timeout=(_CONNECT_S, _READ_S),
                allow_redirects=False,
                stream=True,
                verify=self._verify,
            )
            with answer:
                if answer.status_code != 200:
                    raise KeySetFault(f"status {answer.status_code}")
                return self._read(answer, begun), _lifetime_s(answer)

    def _read(self, answer: requests.Response, begun: float) -> bytes:
        """The body in the pieces in which it comes, as far as the limits of size and time reach."""
        if answer.headers.get("Content-Encoding", "identity").lower() != "identity":
            raise KeySetFault("compressed without having been asked for")
        body = bytearray()
        while piece := answer.raw.read1(8192):
            body += piece
            if len(body) > LARGEST_SET:
                raise KeySetFault(f"larger than {LARGEST_SET} bytes")
            if self._ticks() - begun > _WHOLE_S:
                raise KeySetFault("too slow")
        return bytes(body)


def _lifetime_s(answer: requests.Response) -> float:
    """How long the answer may be kept: no longer than its Cache-Control, less its age (RFC 9111)."""
    said = answer.headers.get("Cache-Control")
    if said is None:
        return _KEPT_WITHOUT_WORD_S
    if _NOT_KEPT.search(said):
        return 0.0
    found = _MAX_AGE.search(said)
    age = answer.headers.get("Age", "0").strip()
    age_s = float(age) if age.isascii() and age.isdecimal() and len(age) < 11 else _KEPT_AT_MOST_S
    lifetime_s = float(found[1]) if found else _KEPT_WITHOUT_WORD_S
    return max(0.0, min(lifetime_s, _KEPT_AT_MOST_S) - age_s)
