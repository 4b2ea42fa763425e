"""The closed list of unit codes: UCUM codes this service takes and gives.

Source: ValueSet ucum-common of R4 (`service/fhir/r4/tables/ucum.json`) and the service's own codes in
`units.json` beside this file, each of them valid UCUM. `mmHg`, `cm^2` and `days` are no UCUM codes and are refused.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

from service.fhir.r4 import common_units
from service.fhir.validate.walk import Place, Walk

UCUM = "http://unitsofmeasure.org"


@cache
def unit_codes() -> frozenset[str]:
    """Every accepted UCUM code. Codes are case-sensitive and compared whole."""
    own = json.loads(Path(__file__).with_name("units.json").read_bytes())
    return common_units() | frozenset(own["codes"])


def check_unit(value: dict[str, Any], at: Place, walk: Walk) -> None:
    """One issue when a Quantity names the UCUM system with a code outside the list."""
    code = value.get("code")
    if value.get("system") == UCUM and type(code) is str and code not in unit_codes():
        walk.error((at, "code"), f"{code!r} is not in the list of UCUM codes", "code-invalid", "units")
