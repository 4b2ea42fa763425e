"""The lock file of what runs: names, versions, where they apply, hashes."""

import re
from pathlib import Path
from typing import NamedTuple

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
RUN_LOCK = ROOT / "requirements" / "run.lock"
DEV_LOCK = ROOT / "requirements" / "dev.lock"


class Pin(NamedTuple):
    """One package at one version; `applies` says whether this machine and this Python install it."""

    name: str
    version: str
    applies: bool
    hashes: tuple[str, ...]


class NotPinned(ValueError):
    """A line of the lock file that names no single version with hashes."""


def read_lock(text: str) -> list[Pin]:
    """Every pin. Raises `NotPinned` with the line that is none: a URL, a path, an option, a range."""
    lines = text.replace("\\\n", " ").splitlines()
    return [_pin(line) for line in lines if line.strip() and not line.startswith("#")]


def _pin(line: str) -> Pin:
    named, *hashes = re.split(r"\s+--hash=", line.strip())
    try:
        requirement = Requirement(named)
    except ValueError as fault:
        raise NotPinned(line) from fault
    exact = re.fullmatch(r"==([^*]+)", str(requirement.specifier))
    if requirement.url or not exact or not hashes or not all(re.fullmatch("sha256:[0-9a-f]{64}", h) for h in hashes):
        raise NotPinned(line)
    applies = requirement.marker is None or requirement.marker.evaluate()
    return Pin(canonicalize_name(requirement.name), exact[1], applies, tuple(h.partition(":")[2] for h in hashes))
