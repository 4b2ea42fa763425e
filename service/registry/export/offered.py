"""What the CapabilityStatement says of exports. The published URLs stand in `mappings/bulk-export.csv`."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from service.terminology.apart import read_apart
from service.terminology.tables import Fault, TerminologyFault

TABLE = "bulk-export.csv"
_COLUMNS = ("key", "url", "source")
_NEEDED = ("server", "system", "Patient", "Group")


def read_export_urls(folder: Path | None = None) -> Mapping[str, str]:
    """The URLs by their key. Raises TerminologyFault with every fault."""
    urls = {row["key"]: row["url"] for row in read_apart(TABLE, _COLUMNS, _COLUMNS, ("key",), folder)}
    if faults := [Fault(TABLE, 0, f"no row of {key}") for key in _NEEDED if key not in urls]:
        raise TerminologyFault(faults)
    return urls


def export_operation(urls: Mapping[str, str], level: str) -> dict[str, str]:
    """The row of `operation` of one level: `system`, `Patient` or `Group`."""
    return {"name": "export", "definition": urls[level]}


def group_row(urls: Mapping[str, str]) -> dict[str, Any]:
    """The row of Group, which is exported by and not served as a resource."""
    return {
        "type": "Group",
        "documentation": "Groups are kept by the operator (closure-readings groups); their ids are told by the site.",
        "operation": [export_operation(urls, "Group")],
    }
