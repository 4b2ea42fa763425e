"""What clients learn before they sign in: the SMART configuration, and what the CapabilityStatement says of security.

https://hl7.org/fhir/smart-app-launch/conformance.html. The published codes stand in `mappings/access.csv`, which is
apart from the tables that the projection rests on: a change of it makes no resource another version.
"""

import csv
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.access.keys import ALGORITHMS
from service.access.scopes import supported_scopes
from service.access.token_form import GRANT_TYPE
from service.terminology.tables import Fault, TerminologyFault, folder_of_tables

FILE = "access.csv"
COLUMNS = ("use", "system", "code", "source")
_USES = ("security-service", "oauth-uris", "smart-capability")
TEXT = "SMART Backend Services: clients registered here sign in with a key of their own"


@dataclass(frozen=True, slots=True)
class AccessCodes:
    """The published codes of access, by use."""

    rows: tuple[tuple[str, str, str], ...]  # use, system, code

    def of(self, use: str) -> list[tuple[str, str]]:
        """System and code of every row of a use."""
        return [(system, code) for found, system, code in self.rows if found == use]


def read_access_codes(folder: Path | None = None) -> AccessCodes:
    """Read `access.csv` of a mappings folder, None for the one shipped. Raises TerminologyFault with every fault."""
    path = (folder or folder_of_tables()) / FILE
    try:
        lines = list(csv.reader(path.read_text("utf-8").splitlines(), strict=True))
    except (OSError, UnicodeDecodeError, csv.Error) as fault:
        raise TerminologyFault([Fault(FILE, 0, "cannot be read")]) from fault
    if not lines or tuple(lines[0]) != COLUMNS:
        raise TerminologyFault([Fault(FILE, 1, f"the columns must be {','.join(COLUMNS)}")])
    faults = [fault for number, cells in enumerate(lines[1:], 2) for fault in _faults(number, cells)]
    found = AccessCodes(tuple((cells[0], cells[1], cells[2]) for cells in lines[1:] if len(cells) == len(COLUMNS)))
    faults += [Fault(FILE, 0, f"no row of use {use}") for use in _USES if not found.of(use)]
    if faults:
        raise TerminologyFault(faults)
    return found


def _faults(number: int, cells: list[str]) -> list[Fault]:
    if len(cells) != len(COLUMNS):
        return [Fault(FILE, number, f"has {len(cells)} cells, expected {len(COLUMNS)}")]
    use, system, code, source = cells
    faults = []
    if use not in _USES:
        faults.append(Fault(FILE, number, f"use {use!r} is none of {', '.join(_USES)}"))
    if not code or not source or (not system and use != "smart-capability"):
        faults.append(Fault(FILE, number, "system, code and source must be given"))
    return faults


def smart_configuration(codes: AccessCodes, token_url: str, served_types: Collection[str]) -> dict[str, Any]:
    """The document at `[base]/.well-known/smart-configuration`, served as JSON whatever the client accepts."""
    return {
        "token_endpoint": token_url,
        "token_endpoint_auth_methods_supported": ["private_key_jwt"],
        "token_endpoint_auth_signing_alg_values_supported": list(ALGORITHMS),
        "grant_types_supported": [GRANT_TYPE],
        "scopes_supported": supported_scopes(served_types),
        "response_types_supported": [],
        "code_challenge_methods_supported": ["S256"],  # the page requires it also where no code is ever issued
        "capabilities": [code for _, code in codes.of("smart-capability")],
    }


def security_of_capability_statement(codes: AccessCodes, token_url: str) -> dict[str, Any]:
    """`CapabilityStatement.rest.security` while access control is on."""
    return {
        "extension": [
            {"url": url, "extension": [{"url": part, "valueUri": token_url}]} for url, part in codes.of("oauth-uris")
        ],
        "service": [
            {"coding": [{"system": system, "code": code}], "text": TEXT}
            for system, code in codes.of("security-service")
        ],
        "description": (
            "Every request but this statement and the SMART configuration needs a token of the token endpoint. "
            "A token lasts at most five minutes and reaches the data of one site."
        ),
    }
