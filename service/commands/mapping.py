"""`map`: a course file to its FHIR transaction Bundle, without a database."""

import sys
from datetime import UTC, datetime
from pathlib import Path

from service import strict_json
from service.config import settings_from
from service.intake.faults import Refused
from service.projection import map_document, open_site


def map_course_file(path: Path) -> int:
    """Print the Bundle; faults go to standard error, each with its place."""
    settings = settings_from()
    try:
        document = strict_json.read(path.read_bytes())
        bundle = map_document(open_site(settings, once=True), document, datetime.now(UTC), settings.fhir_base)
    except strict_json.Unreadable as fault:
        print(f"{path}: {fault}", file=sys.stderr)
        return 1
    except Refused as refusal:
        for found in refusal.faults:
            print(f"{path}{found.pointer}: {found.detail}", file=sys.stderr)
        return 1
    sys.stdout.buffer.write(bundle + b"\n")
    return 0
