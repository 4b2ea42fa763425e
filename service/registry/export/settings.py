"""Settings of exports, read from the environment once, at the edge."""

import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy.engine import make_url

FOLDER = "closure-readings-exports"


@dataclass(frozen=True, slots=True)
class ExportSettings:
    """Where files lie and for how long, and how often a client may ask."""

    folder: Path
    keep_h: int = 24  # files after the end of their job
    going_per_client: int = 1
    retry_after_s: int = 2  # what a client is told to wait between two questions
    soonest_s: float = 0.9  # between two questions; sooner is too frequent
    lease_s: int = 60  # a worker that is not heard of for so long is taken for lost
    attempts: int = 3
    largest_file: int = 1 << 30  # bytes; a type with more has several files


def export_settings_from(database_url: str, environment: Mapping[str, str] = os.environ) -> ExportSettings:
    """`CLOSURE_READINGS_EXPORT_FOLDER`; without it, a folder beside the SQLite file, else below the temporary one."""
    given = environment.get("CLOSURE_READINGS_EXPORT_FOLDER")
    return ExportSettings(Path(given) if given else _default(database_url))


def _default(database_url: str) -> Path:
    url = make_url(database_url)
    if url.get_backend_name() == "sqlite" and url.database:
        return Path(url.database).resolve().parent / FOLDER
    return Path(tempfile.gettempdir()) / f"{FOLDER}-{os.getuid()}"
