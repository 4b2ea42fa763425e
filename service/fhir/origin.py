"""Which resources came from the hospital: a tag that this service alone sets, beside the source that the sender names.

What the projection of a course writes has `meta.source` of the intake and no such tag. What came in through the FHIR
API always has the tag and keeps its sender's `meta.source`; where none was sent it has that of the FHIR interface.
"""

from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

Tree = dict[str, Any]
HOSPITAL = "hospital"
_OURS = ("versionId", "lastUpdated")


def received_meta(sent: Mapping[str, Any], base: str, site: str, intake_source: str) -> Tree:
    """`meta` of a resource as it is stored: what was sent but for version and time, and the tag."""
    kept = {name: value for name, value in sent.items() if name not in _OURS}
    if kept.get("source") in (None, intake_source):
        kept["source"] = f"{base}/site/{quote(site, safe='')}/fhir"
    tags = [tag for tag in kept.get("tag", ()) if tag.get("system") != _system(base)]
    return kept | {"tag": [*tags, {"system": _system(base), "code": HOSPITAL}]}


def is_received(resource: Mapping[str, Any], base: str) -> bool:
    """Whether a stored resource came from the hospital."""
    tags = resource.get("meta", {}).get("tag", ())
    return any(tag.get("system") == _system(base) and tag.get("code") == HOSPITAL for tag in tags)


def _system(base: str) -> str:
    return f"{base}/origin"
