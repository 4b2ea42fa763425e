"""What a run was made on, and whether the machine was quiet."""

import importlib.metadata
import os
import platform
import sqlite3
from pathlib import Path
from typing import Any

LIBRARIES = (
    "duckdb", "fastapi", "fhir.resources", "orjson", "psycopg", "pydantic", "sqlalchemy", "uvicorn",
)  # fmt: skip


def machine() -> dict[str, Any]:
    """System, processor, cores and memory."""
    return {
        "system": platform.system(),
        "machine": platform.machine(),
        "processor": _told("/proc/cpuinfo", "model name") or platform.processor(),
        "cores": os.cpu_count(),
        "memory_gib": round(os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30),
    }


def versions() -> dict[str, str]:
    """Python, SQLite and the libraries that do the work. That of PostgreSQL is known once a server runs."""
    found = {"python": platform.python_version(), "sqlite": sqlite3.sqlite_version}
    return found | {name: importlib.metadata.version(name) for name in LIBRARIES}


def load() -> list[float]:
    """Load averages over 1, 5 and 15 minutes."""
    return [round(each, 2) for each in os.getloadavg()]


def _told(path: str, name: str) -> str:
    try:
        lines = Path(path).read_text("utf-8").splitlines()
    except OSError:
        return ""
    return next((line.partition(":")[2].strip() for line in lines if line.startswith(name)), "")
