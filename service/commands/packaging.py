"""`package`: the published artefacts with examples as an npm-style FHIR package."""

import sys
from datetime import datetime
from pathlib import Path
from typing import Any

from service import strict_json
from service.config import settings_from
from service.fhir import wire
from service.fhir.build.artefacts import artefacts
from service.fhir.package import package, package_name
from service.projection import Site, map_course_file, open_site

EXAMPLE = Path(__file__).parents[1] / "api" / "example-course.json"


def write_package(out: Path | None) -> int:
    """Write the package of the configured tables; without a file, one in the working folder named by the package."""
    site = open_site(settings_from())
    terms = site.frame.terms
    file = out or Path(f"{package_name(terms.base)}-{terms.canonical['version']}.tgz")
    content = package_of(site)
    file.write_bytes(content)
    print(f"{len(content)} bytes written to {file}", file=sys.stderr)
    return 0


def package_of(site: Site) -> bytes:
    """The package of a site's tables."""
    terms = site.frame.terms
    return package(terms, artefacts(terms), examples(site))


def examples(site: Site) -> list[dict[str, Any]]:
    """One resource of each profile, from the example course as of its last entry."""
    course = EXAMPLE.read_bytes()
    last = max(datetime.fromisoformat(entry["at"]) for entry in strict_json.read(course)["entries"])
    bundle = wire.read(map_course_file(course, site, last, site.frame.terms.base))
    of_profile: dict[str, dict[str, Any]] = {}
    for entry in bundle["entry"]:
        resource = entry["resource"]
        of_profile.setdefault(resource["meta"]["profile"][0], resource)
    return list(of_profile.values())
