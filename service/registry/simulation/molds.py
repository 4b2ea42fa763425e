"""Molds of resources: what the real projection gives for a small sample course, with places to fill in.

A simulated resource is cast from the bytes of a projected one, so it has the shape of this service's own output without
the cost of projecting each course. A text that is not found when a mold is made is an error: then the projection has
changed and the simulator has to follow.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from importlib import resources
from typing import Any

from service import strict_json
from service.fhir import wire
from service.projection import Site, map_document
from service.store.wire import spliced

__all__ = ["FINDINGS", "OPEN", "RESULTS", "MoldBroken", "Molds", "cast", "make_molds"]

Tree = dict[str, Any]
# Words of the intake contract.
RESULTS = (
    "primary-closure", "partial-closure-and-graft", "graft", "flap", "secondary-healing", "abandoned", "died",
)  # fmt: skip
FINDINGS = ("intact", "blister", "erosion", "anchor-pull-through", "necrosis", "infection-signs")
OPEN = "open"
_MARKS = {"below": Decimal("14.5"), "in": Decimal("17.5"), "above": Decimal("20.5")}
# Texts of sample-course.json.
SITE, _NUMBER, _BIRTH = "simsite", "simnumber", "1961-01-01"
_VISITS = {"in", "ch", "re", "rm", "oc"}
_BASE = "https://simulated.example/fhir"  # base of fullUrls in the Bundle that is taken apart; it stays nowhere
_UUID = re.compile(rb"([0-9a-f]{8})-([0-9a-f]{4})-5([0-9a-f]{3})-([0-9a-f]{4}-[0-9a-f]{12})")


class MoldBroken(RuntimeError):
    """The projection no longer says what a mold expects; names the role and the text."""


@dataclass(frozen=True, slots=True)
class Molds:
    """Molds by what varies. Every one takes `course` (8 hex digits), `entry` (4) and `band` (3) for ids."""

    patient: bytes
    application: bytes
    reset: bytes
    removal: bytes
    check: bytes
    gaps: Mapping[str, bytes]  # by visit
    bands: Mapping[tuple[str, str], bytes]  # by visit and place in the range
    plans: Mapping[str, bytes]  # by result, or open
    wounds: Mapping[str, bytes]
    outcomes: Mapping[str, bytes]
    skin: Mapping[str, bytes]
    flags: Mapping[str, bytes]  # by alert


def cast(mold: bytes, values: Mapping[bytes, bytes]) -> bytes:
    """One resource as a line."""
    return mold % values


def make_molds(site: Site) -> Molds:
    """Project the sample course in its variants; `site` must have the key that the sample has."""
    by_result = {result: _projected(site, result=result) for result in (*RESULTS, OPEN)}
    by_finding = {finding: _projected(site, finding=finding) for finding in FINDINGS}
    by_range = {name: _projected(site, mark=mark) for name, mark in _MARKS.items()}
    whole = by_finding["blister"]
    return Molds(
        patient=whole.mold(_NUMBER, {_NUMBER: "name", _BIRTH: "born"}),
        application=whole.mold("simcourse/in/application", {}),
        reset=whole.mold("simcourse/re/reset", {}),
        removal=whole.mold("simcourse/rm/removal", {}),
        check=whole.mold("simcourse/ch/check", {}),
        gaps={"in": _gap(whole, "in", "6.17"), "ch": _gap(whole, "ch", "5.17")},
        bands={
            ("in", "in"): _band(whole, "in", "1.75", "17.5"),
            ("re", "in"): _band(whole, "re", "1.85", "18.5"),
            ("ch", "below"): _band(by_range["below"], "ch", "1.45", "14.5"),
            ("ch", "in"): _band(by_range["in"], "ch", "1.75", "17.5"),
            ("ch", "above"): _band(by_range["above"], "ch", "2.05", "20.5"),
        },
        plans={result: sample.mold("simcourse/plan", {}) for result, sample in by_result.items()},
        wounds={result: sample.mold("simcourse/condition", {}) for result, sample in by_result.items()},
        outcomes={result: by_result[result].mold("simcourse/oc/course-outcome", {}) for result in RESULTS},
        skin={name: sample.mold(f"simcourse/ch/skin/{name}", {}) for name, sample in by_finding.items()},
        flags={
            "low-perfusion-pressure": whole.mold("simcourse/ch/flag/low-perfusion-pressure", {}),
            "dislodged": whole.mold("simcourse/ch/flag/dislodged", {}),
            "count-mismatch": whole.mold("simcourse/rm/flag/count-mismatch/bands", {}),
        },
    )


def _gap(sample: "_Sample", visit: str, gap: str) -> bytes:
    return sample.mold(f"simcourse/{visit}/widest-gap", {gap: "gap"})


def _band(sample: "_Sample", visit: str, ratio: str, mark: str) -> bytes:
    texts = {ratio: "ratio", mark: "mark", "Band 1:": "number", "band-stretch/1": "number"}
    return sample.mold(f"simcourse/{visit}/band-stretch/1", texts)


@dataclass(frozen=True, slots=True)
class _Sample:
    """Resources of one projected sample by identifier value, and the role of every id."""

    resources: Mapping[str, Tree]
    roles: Mapping[bytes, str]
    times: Mapping[str, str]

    def mold(self, role: str, texts: Mapping[str, str]) -> bytes:
        """The line of one resource with slots for ids, times, names and `texts`. Raises MoldBroken."""
        if role not in self.resources:
            raise MoldBroken(f"the sample course has no {role}")
        resource = self.resources[role]
        kind, own = resource["resourceType"], resource["id"]
        line = spliced(kind, own, wire.write(resource), 1, 0).replace(b"%", b"%%")
        line = re.sub(rb'"lastUpdated":"[^"]*"', b'"lastUpdated":"%(updated)b"', line, count=1)
        for text, slot in texts.items():
            if text.encode() not in line:
                raise MoldBroken(f"{role} does not say {text!r}")
            line = line.replace(text.encode(), _slotted(text, slot))
        for moment, slot in self.times.items():
            line = line.replace(moment.encode(), b"%%(%s)b" % slot.encode())
        line = _UUID.sub(self._id, line)
        line = line.replace(b"/site/simsite/", b"/site/%(site)b/").replace(b"/sid/simsite", b"/sid/%(site)b")
        line = re.sub(rb'"simcourse/(in|ch|re|rm|oc)/', rb'"%(name)b/\1-%(entry)b/', line)
        line = line.replace(b'"simcourse/', b'"%(name)b/')
        if b"sim" in line.replace(b"simulated", b""):
            raise MoldBroken(f"{role} still tells of the sample")
        return line + b"\n"

    def _id(self, found: "re.Match[bytes]") -> bytes:
        """An id of the sample as one of the course: the same within a course and visit, another in each."""
        role = self.roles.get(found[0], "")
        if not role:
            return found[0]
        banded = "/band" in role
        visit = role.split("/")[1] if role.count("/") > 1 else ""
        entry = b"%(entry)b" if visit in _VISITS and not role.startswith("simcourse/in/band/") else b"0000"
        return b"%%(course)b-%s-5%s-%s" % (entry, b"%(band)b" if banded else b"000", found[4])


def _slotted(text: str, slot: str) -> bytes:
    """`Band 1:` keeps its words around the number; any other text is replaced whole."""
    whole = b"%%(%s)b" % slot.encode()
    return text.encode().replace(b"1", whole) if slot == "number" else whole


def _projected(
    site: Site, result: str = "primary-closure", finding: str = "blister", mark: Decimal = _MARKS["below"]
) -> _Sample:
    document = _document(result, finding, mark)
    times = {entry["at"]: "removed" if entry["kind"] == "removal" else "at" for entry in document["entries"]}
    times |= {document["course"]["opened_at"]: "opened"}
    if document["entries"][-1]["kind"] == "outcome":
        times[document["entries"][-1]["at"]] = "ended"
    now = datetime.fromisoformat(document["entries"][-1]["at"]) + timedelta(days=1)
    bundle = wire.read(map_document(site, document, now, _BASE))
    return _sample((entry["resource"] for entry in bundle["entry"]), times)


def _document(result: str, finding: str, mark: Decimal) -> Tree:
    document: Tree = strict_json.read(resources.files(__package__).joinpath("sample-course.json").read_bytes())
    for entry in document["entries"]:
        if entry["kind"] == "check":
            entry["skin"] = [finding]
            entry["bands"][0]["mark_mm"] = mark
        if entry["kind"] == "outcome":
            entry["result"] = result
    if result == OPEN:
        document["entries"] = [entry for entry in document["entries"] if entry["kind"] not in ("removal", "outcome")]
    return document


def _sample(projected: Iterable[Tree], times: Mapping[str, str]) -> _Sample:
    by_role = {one["identifier"][0]["value"]: one for one in projected if "identifier" in one}
    roles = {one["id"].encode(): role for role, one in by_role.items()}
    return _Sample(by_role, roles, times)
