"""Limits and intervals, each with its unit, default, sane bounds and basis; a site may set its own.

A policy is read from a TOML file: `name`, and a table `limits` with any of the names of `LIMITS`. The file is
refused as a whole, with every fault named by file and key. Figures with the basis "common practice" are facts of the
trade without a published source; those marked "project's own" are ours. Neither replaces the local protocol.
"""

import hashlib
import tomllib
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from msgspec import Struct
from msgspec.structs import force_setattr

# The interval most bands carry in print; the one for which a range must leave a half-millimetre mark to aim at.
USUAL_REST_MARK_MM = Decimal(10)
HALF_MM = Decimal("0.5")
ELLIPSE_AND_PARABOLA = "an ellipse has 0.8 over the middle 60 % of its length, a parabola 0.64"
MCQUEEN_1996 = "McQueen and Court-Brown, J Bone Joint Surg Br 1996;78-B:99-104"


class Limit(Struct, frozen=True):
    """One limit: its name, UCUM unit, default, the bounds outside of which it is refused, and where it comes from."""

    name: str
    unit: str
    default: Decimal
    low: Decimal
    high: Decimal
    basis: str


def _limit(name: str, unit: str, default: str, low: str, high: str, basis: str) -> Limit:
    return Limit(name, unit, Decimal(default), Decimal(low), Decimal(high), basis)


LIMITS: tuple[Limit, ...] = (
    _limit("stretch_low", "1", "1.5", "1.05", "2.5", "common practice: lower end of the working range"),
    _limit("stretch_high", "1", "2.0", "1.1", "3", "common practice: upper end, the stated maximum"),
    _limit("target_low", "1", "1.65", "1.05", "3", "project's own: keeps targets off the lower end; a band slackens"),
    _limit("target_high", "1", "1.95", "1.05", "3", "project's own: keeps targets off the maximum; a ruler errs"),
    _limit("mark_reading_error_mm", "mm", "0.5", "0.05", "2", "ruler"),
    _limit("gap_reading_error_mm", "mm", "2", "0.1", "10", "project's own: the reading error its forecast assumes"),
    _limit("rebound_limit_mm", "mm", "6", "1", "50", "three times the reading error of a gap"),
    _limit("reset_interval_h", "h", "24", "1", "168", "common practice: once a day, and with every dressing change"),
    _limit("out_of_range_grace_h", "h", "1", "0", "24", "project's own"),
    _limit("tail_min_mm", "mm", "50", "5", "300", "common practice"),
    _limit("anchor_interval_mm", "mm", "10", "5", "30", "common practice"),
    _limit("setback_min_mm", "mm", "10", "1", "50", "common practice"),
    _limit("setback_max_mm", "mm", "15", "1", "50", "common practice"),
    _limit("undermining_max_mm", "mm", "20", "0", "100", "common practice"),
    _limit("closable_gap_mm", "mm", "5", "0.5", "50", "the site's surgeon decides"),
    _limit("parallel_min", "1", "0.6", "0", "1", f"project's own: {ELLIPSE_AND_PARABOLA}"),
    _limit("perfusion_min_mmhg", "mm[Hg]", "30", "20", "60", MCQUEEN_1996),
    _limit("horizon_days", "d", "14", "1", "60", "project's own: published courses last 2 to 14 days and more"),
)  # fmt: skip
LIMIT_BY_NAME: Mapping[str, Limit] = {limit.name: limit for limit in LIMITS}


class Policy(Struct, frozen=True):
    """All limits that a computation may use. Units as in the names; `version` is a digest of the values."""

    name: str
    stretch_low: Decimal
    stretch_high: Decimal
    target_low: Decimal
    target_high: Decimal
    mark_reading_error_mm: Decimal
    gap_reading_error_mm: Decimal
    rebound_limit_mm: Decimal
    reset_interval_h: Decimal
    out_of_range_grace_h: Decimal
    tail_min_mm: Decimal
    anchor_interval_mm: Decimal
    setback_min_mm: Decimal
    setback_max_mm: Decimal
    undermining_max_mm: Decimal
    closable_gap_mm: Decimal
    parallel_min: Decimal
    perfusion_min_mmhg: Decimal
    horizon_days: Decimal
    version: str = ""  # given or not, it is derived anew

    def __post_init__(self) -> None:
        """Derive the version, so that a policy made in code carries one too."""
        force_setattr(self, "version", _digest(self))

    def limits(self) -> dict[str, Decimal]:
        """Every limit by name, in the order of `LIMITS`."""
        return {limit.name: getattr(self, limit.name) for limit in LIMITS}


def _digest(policy: Policy) -> str:
    values = "\n".join(f"{name}={value.normalize():f}" for name, value in sorted(policy.limits().items()))
    return hashlib.sha256(values.encode()).hexdigest()[:12]


class Fault(Struct, frozen=True):
    """Why one key of one file was refused."""

    file: str
    key: str
    why: str

    def __str__(self) -> str:
        """File, key and reason in one line."""
        return f"{self.file}: {self.key}: {self.why}"


class PolicyFault(ValueError):
    """A policy file that is refused as a whole; `faults` names every fault of it."""

    def __init__(self, faults: list[Fault]) -> None:
        """Keep the faults and say all of them."""
        self.faults = faults
        super().__init__("; ".join(str(fault) for fault in faults))


def default_policy() -> Policy:
    """The policy of the defaults in `LIMITS`; mappings/policy/default.toml says the same (a test compares them)."""
    return _with("default", {limit.name: limit.default for limit in LIMITS})


def _with(name: str, limits: Mapping[str, Any]) -> Policy:
    return Policy(name=name, **limits)


def read_policy(toml_bytes: bytes, file_name: str, base: Policy | None = None) -> Policy:
    """A policy from the bytes of a TOML file, over `base` where the file is silent.

    Without `base` every limit must be given. `file_name` only names the file in faults. Raises `PolicyFault` with
    every fault: not TOML, unknown or missing keys, no finite number, outside the bounds of `LIMITS`, limits that
    contradict one another, a working range without a half-millimetre mark at the usual rest mark of 10 mm.
    """
    try:
        document = tomllib.loads(toml_bytes.decode("utf-8"), parse_float=Decimal)
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as fault:
        raise PolicyFault([Fault(file_name, "(file)", f"is not TOML: {fault}")]) from fault
    found: list[tuple[str, str]] = [(key, "is unknown") for key in document if key not in ("name", "limits")]
    name = document.get("name", base.name if base else None)
    if not isinstance(name, str) or not name.strip():
        found.append(("name", "must be text that names the policy"))
    values, value_faults = _read_limits(document.get("limits", {}), base)
    found += value_faults
    if not value_faults:
        found += _contradictions(values)
    if found:
        raise PolicyFault([Fault(file_name, key, why) for key, why in found])
    return _with(str(name), values)


def _read_limits(table: Any, base: Policy | None) -> tuple[dict[str, Decimal], list[tuple[str, str]]]:
    if not isinstance(table, dict):
        return {}, [("limits", "must be a table of limits")]
    faults = [(f"limits.{key}", "is no limit of this service") for key in table if key not in LIMIT_BY_NAME]
    values: dict[str, Decimal] = dict(base.limits()) if base else {}
    for limit in LIMITS:
        if limit.name in table:
            why = _value_fault(table[limit.name], limit)
            if why:
                faults.append((f"limits.{limit.name}", why))
            else:
                values[limit.name] = Decimal(table[limit.name])
        elif base is None:
            faults.append((f"limits.{limit.name}", "is missing"))
    return values, faults


def _value_fault(value: Any, limit: Limit) -> str | None:
    if isinstance(value, bool) or not isinstance(value, int | Decimal) or not Decimal(value).is_finite():
        return "must be a finite number"
    if not limit.low <= value <= limit.high:
        return f"is {value}, outside of {limit.low} to {limit.high} {limit.unit}"
    return None


def _contradictions(v: Mapping[str, Decimal]) -> list[tuple[str, str]]:
    found = []
    if v["stretch_low"] >= v["stretch_high"]:
        found.append(("limits.stretch_high", f"is {v['stretch_high']}, not above stretch_low {v['stretch_low']}"))
    if not v["stretch_low"] <= v["target_low"] <= v["stretch_high"]:
        found.append(("limits.target_low", f"is {v['target_low']}, outside of the working range"))
    if not v["target_low"] <= v["target_high"] <= v["stretch_high"]:
        found.append(("limits.target_high", f"is {v['target_high']}, not between target_low and stretch_high"))
    if v["setback_min_mm"] > v["setback_max_mm"]:
        found.append(("limits.setback_max_mm", f"is {v['setback_max_mm']}, under setback_min_mm {v['setback_min_mm']}"))
    highest_mark = v["stretch_high"] * USUAL_REST_MARK_MM // HALF_MM * HALF_MM
    if highest_mark < v["stretch_low"] * USUAL_REST_MARK_MM:
        found.append(("limits.stretch_high", "leaves no half-millimetre mark inside the range at a rest mark of 10 mm"))
    return found
