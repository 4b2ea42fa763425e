"""De-identification of FHIR resources by a table that decides on every element (mappings/deidentification.csv).

Pure: rules, key and clock are passed in. Two modes: `safe-harbor` after 45 CFR 164.514(b)(2), and `research` with keyed
pseudonyms and shifted dates. Nothing here makes data anonymous by itself: whether a release is lawful is decided by the
local data protection officer and the law of the place.
"""

from service.deidentify.cells import Cells
from service.deidentify.resources import Deidentifier, LeftOut, Undecided
from service.deidentify.rules import MODES, Rules, read_rules

__all__ = ["MODES", "Cells", "Deidentifier", "LeftOut", "Rules", "Undecided", "read_rules"]
