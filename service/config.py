"""Settings of one running service, read from the environment once, at the edge."""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from service import __version__

DEFAULT_DATABASE_URL = "sqlite:///closure-readings.sqlite3"
DEFAULT_PUBLIC_BASE = "http://127.0.0.1:8080"
LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})


@dataclass(frozen=True, slots=True)
class Settings:
    """What a deployment decides; every field has a safe default for a first look on loopback."""

    database_url: str = DEFAULT_DATABASE_URL
    public_base: str = DEFAULT_PUBLIC_BASE
    site: str = "demo"
    zone: str = "UTC"
    synchronous: str = "FULL"
    mappings: Path | None = None  # None: the tables shipped with the package
    software_version: str = __version__
    us_core: str = ""  # release of US Core that Patients and Observations follow too, e.g. 6.1.0; empty: none
    audit_readers: frozenset[str] = frozenset()  # ids of clients that may read the audit record over HTTP
    allowed_origins: tuple[str, ...] = ()  # web origins whose browser apps may call the FHIR API

    @property
    def fhir_base(self) -> str:
        """Base of the FHIR API, without a trailing slash."""
        return f"{self.public_base}/fhir"


def settings_from(environment: Mapping[str, str] = os.environ) -> Settings:
    """Read `CLOSURE_READINGS_*` variables (and `DATABASE_URL`); what is absent keeps its default."""
    given = {
        "database_url": environment.get("DATABASE_URL"),
        "public_base": environment.get("CLOSURE_READINGS_PUBLIC_BASE"),
        "site": environment.get("CLOSURE_READINGS_SITE"),
        "zone": environment.get("CLOSURE_READINGS_ZONE"),
        "synchronous": environment.get("CLOSURE_READINGS_SYNCHRONOUS"),
        "us_core": environment.get("CLOSURE_READINGS_US_CORE"),
    }
    mappings = environment.get("CLOSURE_READINGS_MAPPINGS")
    chosen = {name: value for name, value in given.items() if value}
    readers = environment.get("CLOSURE_READINGS_AUDIT_READERS", "").replace(",", " ").split()
    origins = environment.get("CLOSURE_READINGS_ALLOWED_ORIGINS", "").replace(",", " ").split()
    return Settings(
        **chosen,
        mappings=Path(mappings) if mappings else None,
        audit_readers=frozenset(readers),
        allowed_origins=tuple(origins),
    )
