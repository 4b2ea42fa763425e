"""What is asked of a layout plan, read as strictly as a reading: from JSON, or from names and texts."""

import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from service.clinic.layout import WoundToFit, too_many_bands
from service.clinic.policy import Policy
from service.intake.faults import Fault, Refused
from service.intake.members import read_wound_to_fit

NUMBER = re.compile(r"-?\d{1,20}(?:\.\d{1,20})?", re.ASCII)


def review_wound(sent: Any, policy: Policy) -> WoundToFit:
    """The wound to be fitted; raises `Refused` with every fault, each with its pointer."""
    wound = read_wound_to_fit(sent)
    if isinstance(wound, list):
        raise Refused(wound)
    given = wound.anchor_interval_mm
    interval = policy.anchor_interval_mm if given is None else given
    if why := too_many_bands(wound.length_mm, interval):
        raise Refused([Fault(("length_mm" if given is None else "anchor_interval_mm",), why)])
    return wound


def numbers_of(texts: Mapping[str, str]) -> dict[str, Any]:
    """The same as JSON would have it: what is written like a number is one, anything else stays text and is refused."""
    return {name: Decimal(text) if NUMBER.fullmatch(text) else text for name, text in texts.items()}
