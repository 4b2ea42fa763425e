"""What one site says of itself beside the shared tables, below `sites/<site>/`.

`policy.toml`: limits; `bench.toml`: its bench table; `site.toml`: `zone` of its clocks and `us_core`, the release of
US Core it follows, where they are others than the installation's. All are optional. A malformed one is refused as a
whole at start, with every fault of all files; so is a file that nobody would read, since a limit that a site believes
to have set must not be lost in silence.
"""

import tomllib
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import quote

from service.clinic.force import BenchFault, BenchTable, read_bench_table
from service.clinic.policy import Fault, Policy, PolicyFault, read_policy

DEFAULT_POLICY, SITES = "policy/default.toml", "sites"
POLICY, BENCH, OWN = "policy.toml", "bench.toml", "site.toml"
CODES = "codes.csv"  # read by those who deliver to other servers
READ_HERE = frozenset({POLICY, BENCH, OWN, CODES, "README.md"})


class OwnSettings(NamedTuple):
    """Settings of a site; None: as the installation has them."""

    zone: str | None = None
    us_core: str | None = None


class SiteFault(ValueError):
    """Files of a site that are refused; `faults` names every fault of all of them by file and key."""

    def __init__(self, faults: list[Fault]) -> None:
        """Keep the faults and say all of them."""
        self.faults = faults
        super().__init__("; ".join(str(fault) for fault in faults))


def folder_of_site(tables: Path, site: str) -> Path:
    """The folder of a site's own files; its key is escaped like in a URL, so it cannot lead elsewhere."""
    name = quote(site, safe="")
    return tables / SITES / (name if name.strip(".") else name.replace(".", "%2E"))


def read_site(tables: Path, site: str) -> tuple[Policy, BenchTable | None]:
    """The policy (the default one, and over it the site's own) and the bench table, if there is one.

    Raises `SiteFault` with every fault of every file.
    """
    folder = folder_of_site(tables, site)
    faults = _stray(tables, folder)
    policy, bench = None, None
    try:
        policy = _policy(tables, folder)
    except PolicyFault as refused:
        faults += refused.faults
    try:
        bench = _bench(tables, folder)
    except BenchFault as refused:
        faults += refused.faults
    if faults or policy is None:
        raise SiteFault(faults)
    return policy, bench


def read_own_settings(tables: Path, site: str) -> OwnSettings:
    """The site's own settings. Raises `SiteFault` with every fault of the file."""
    own = folder_of_site(tables, site) / OWN
    if not own.is_file():
        return OwnSettings()
    name = _named(tables, own)
    try:
        given = tomllib.loads(own.read_text("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise SiteFault([Fault(name, "(file)", f"is no TOML: {fault}")]) from fault
    if faults := [Fault(name, key, told) for key, told in _told(given)]:
        raise SiteFault(faults)
    return OwnSettings(**given)


def _told(given: dict[str, Any]) -> list[tuple[str, str]]:
    """What is wrong with settings, by key."""
    told = [
        (key, f"is not known; a site has {', '.join(OwnSettings._fields)}")
        for key in given
        if key not in OwnSettings._fields
    ]
    told += [(key, "is a text") for key in OwnSettings._fields if not isinstance(given.get(key, ""), str)]
    zone = given.get("zone")
    if isinstance(zone, str):
        from zoneinfo import ZoneInfo, ZoneInfoNotFoundError  # most sites have no zone of their own

        try:
            ZoneInfo(zone)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            told.append(("zone", "is no zone of the time zone database"))
    return told


def _policy(tables: Path, folder: Path) -> Policy:
    default = read_policy((tables / DEFAULT_POLICY).read_bytes(), DEFAULT_POLICY)
    own = folder / POLICY
    return read_policy(own.read_bytes(), _named(tables, own), default) if own.is_file() else default


def _bench(tables: Path, folder: Path) -> BenchTable | None:
    own = folder / BENCH
    return read_bench_table(own.read_bytes(), _named(tables, own)) if own.is_file() else None


def _stray(tables: Path, folder: Path) -> list[Fault]:
    """Files that nothing reads: misspelt ones of the site, and policies beside the default one."""
    own = sorted(folder.iterdir()) if folder.is_dir() else []
    stray = [path for path in own if path.name not in READ_HERE and not path.name.startswith(".")]
    faults = [
        Fault(_named(tables, path), "(file)", f"is not read; a site has {POLICY}, {BENCH} and {OWN}") for path in stray
    ]
    beside = [path for path in sorted((tables / "policy").glob("*.toml")) if path.name != "default.toml"]
    moved = f"is not read; a site's own policy stands in {SITES}/<site>/{POLICY}"
    return faults + [Fault(_named(tables, path), "(file)", moved) for path in beside]


def _named(tables: Path, path: Path) -> str:
    return path.relative_to(tables).as_posix()
