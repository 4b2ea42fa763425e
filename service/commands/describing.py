"""`openapi`: the description of the HTTP interface, generated from the routes."""

import json
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

from service.config import Settings


def openapi_text() -> str:
    """The OpenAPI document of a service with default settings, as stable text."""
    from service.api.app import create_app

    with tempfile.TemporaryDirectory() as folder:
        settings = replace(Settings(), database_url=f"sqlite:///{folder}/description.sqlite3")
        document = create_app(settings).openapi()
    return json.dumps(document, indent=2, ensure_ascii=False, sort_keys=True, default=float) + "\n"


def print_openapi(check: Path | None) -> int:
    """Print it, or hold a file against it."""
    text = openapi_text()
    if check is None:
        sys.stdout.write(text)
        return 0
    if check.is_file() and check.read_text("utf-8") == text:
        return 0
    print(f"{check} is not current: run make openapi", file=sys.stderr)
    return 1
