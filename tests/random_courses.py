"""Random courses that the intake contract accepts: every kind of entry, odd digits, late entries, corrections."""

from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from typing import Any

from hypothesis import strategies as st

OPENED = datetime(2026, 2, 2, 6, 0, tzinfo=timezone(timedelta(hours=1)))
ZONES = [UTC, timezone(timedelta(hours=1)), timezone(timedelta(hours=-9, minutes=-30))]
SIGNS = ["blanching", "blister", "erosion", "anchor-pull-through", "necrosis", "infection-signs"]
SYSTEMS = ["https://heron-quay.example/staff", "urn:oid:2.999.1"]
CAUSES = ["fasciotomy", "trauma", "surgical-dehiscence", "other"]
SITES = [
    "upper-arm", "forearm", "hand", "thigh", "lower-leg", "foot", "abdomen", "back", "flank", "buttock", "chest",
    "other",
]  # fmt: skip
ENDS = ["proximal", "distal", "cranial", "caudal", "medial", "lateral"]
LATERALITIES = st.sampled_from(["left", "right", "midline"])
Draw = Any


def decimals(low: float, high: float, places: int = 1) -> st.SearchStrategy[Decimal]:
    """Decimals as a ruler gives them, some written with a trailing zero."""
    return st.decimals(min_value=Decimal(str(low)), max_value=Decimal(str(high)), places=places, allow_nan=False)


texts = st.text(
    st.characters(codec="utf-8", categories=("L", "N", "P", "S", "M", "Z"), include_characters="\n\t"),
    min_size=1,
    max_size=40,
).filter(lambda text: bool(text.strip()))
names = st.builds(lambda tail: f"Q{tail}", texts.map(lambda text: text[:30]))

PERSON = {
    "family": names,
    "given": st.lists(names, min_size=1, max_size=2),
    "birth_date": st.just("1931-12-09"),
    "gender": st.sampled_from(["male", "female", "other", "unknown"]),
}


@st.composite
def performers(draw: Draw) -> dict[str, Any]:
    """A charting person."""
    found: dict[str, Any] = {
        "identifier": {"system": draw(st.sampled_from(SYSTEMS)), "value": draw(st.sampled_from("abc"))}
    }
    if draw(st.booleans()):
        found["display"] = draw(names)
    return found


@st.composite
def gaps(draw: Draw, length: int) -> list[dict[str, Any]]:
    """Gap readings at some stations."""
    stations = draw(st.lists(st.integers(0, length), min_size=1, max_size=5, unique=True))
    return [{"station_mm": station, "gap_mm": draw(decimals(0, 120))} for station in sorted(stations)]


@st.composite
def installations(draw: Draw, length: int) -> dict[str, Any]:
    """Bands at rising stations."""
    stations = sorted(draw(st.lists(st.integers(0, length), min_size=1, max_size=4, unique=True)))
    bands = []
    for number, station in enumerate(stations, 1):
        rest = draw(st.sampled_from([10, Decimal("12.5"), 20]))
        mark = draw(decimals(float(rest) * 0.5, float(rest) * 4))
        tail = draw(st.integers(0, 150))
        bands.append({"band": number, "station_mm": station, "rest_mark_mm": rest, "mark_mm": mark, "tail_mm": tail})
    found = {
        "kind": "installation",
        "anchors_per_side": draw(st.integers(1, 40)),
        "anchor_interval_mm": draw(st.sampled_from([8, 10, Decimal("12.5")])),
        "setback_mm": draw(st.sampled_from([8, 12, Decimal("15.5")])),
        "bands": bands,
        "gaps": draw(gaps(length)),
    }
    return found | draw(
        st.fixed_dictionaries(
            {}, optional={"dressings_placed": st.integers(0, 3), "undermined_mm": decimals(0, 40), "note": texts}
        )
    )


@st.composite
def checks(draw: Draw, length: int, bands: list[dict[str, Any]], at: datetime) -> dict[str, Any]:
    """A check, with or without each of its parts."""
    found: dict[str, Any] = {
        "kind": "check",
        "device_status": draw(st.sampled_from(["in-place", "partly-in-place", "dislodged", "removed"])),
    }
    if draw(st.integers(0, 4)):
        found["gaps"] = draw(gaps(length))
    else:
        found["gaps_not_measured"] = draw(texts)
    read = [band for band in bands if draw(st.integers(0, 3))]
    if read:
        found["bands"] = [
            {
                "band": band["band"],
                "mark_mm": draw(decimals(float(band["rest_mark_mm"]) * 0.5, float(band["rest_mark_mm"]) * 4)),
            }
            | ({"tail_mm": draw(st.integers(0, 120))} if draw(st.booleans()) else {})
            for band in read
        ]
    else:
        found["bands_not_read"] = draw(texts)
    dressing = st.fixed_dictionaries(
        {"changed": st.booleans()},
        optional={
            "covers_anchors": st.booleans(), "placed": st.integers(0, 3), "removed": st.integers(0, 3),
            "smallest_side_mm": decimals(1, 200),
        },
    )  # fmt: skip
    extra = {
        "dressing": dressing,
        "next_dressing_change_at": st.integers(1, 90).map(lambda hours: (at + timedelta(hours=hours)).isoformat()),
        "vacuum_therapy_in_use": st.booleans(),
        "skin": st.one_of(st.just(["intact"]), st.lists(st.sampled_from(SIGNS), min_size=1, max_size=3, unique=True)),
        "pain_0_10": st.integers(0, 10),
        "compartment_pressure_mmhg": decimals(0, 90),
        "diastolic_pressure_mmhg": st.integers(20, 120),
        "mobilised": st.booleans(),
        "devices_present": st.fixed_dictionaries({"anchors": st.integers(0, 80), "bands": st.integers(0, 5)}),
        "note": texts,
    }
    return found | draw(st.fixed_dictionaries({}, optional=extra))


@st.composite
def resets(draw: Draw, bands: list[dict[str, Any]]) -> dict[str, Any]:
    """A reset of some bands."""
    chosen = draw(st.lists(st.sampled_from(bands), min_size=1, unique_by=lambda band: band["band"]))
    rows = []
    for band in chosen:
        marks = decimals(float(band["rest_mark_mm"]) * 0.5, float(band["rest_mark_mm"]) * 4)
        row = {"band": band["band"], "mark_mm_after": draw(marks)}
        rows.append(
            row | draw(st.fixed_dictionaries({}, optional={"mark_mm_before": marks, "tail_mm": st.integers(0, 99)}))
        )
    return {"kind": "reset", "bands": rows}


@st.composite
def removals(draw: Draw) -> dict[str, Any]:
    """A removal that may or may not account for everything."""
    return {
        "kind": "removal",
        "anchors_removed": draw(st.integers(0, 90)),
        "bands_removed": draw(st.integers(0, 6)),
        "dressings_removed": draw(st.integers(0, 3)),
        "reason": draw(st.sampled_from(["closed", "intolerance", "infection", "revision", "other"])),
    }


@st.composite
def reconciliations(draw: Draw) -> dict[str, Any]:
    """What became of items."""
    return {
        "kind": "reconciliation",
        "item": draw(st.sampled_from(["anchors", "bands", "dressings"])),
        "found": draw(st.integers(1, 3)),
        "left_on_purpose": draw(st.integers(0, 2)),
        "unaccounted_escalated": draw(st.integers(0, 2)),
        "responsible": draw(performers()),
        "reason": draw(texts),
    }


@st.composite
def course_files(draw: Draw, most: int = 8, corrections: bool = True) -> dict[str, Any]:
    """A whole course file; its entries stand in the order of their times."""
    length = draw(st.integers(20, 300))
    patient = {"identifier": {"system": "https://heron-quay.example/mrn", "value": f"HQ-{draw(st.integers(1, 999))}"}}
    wound = {
        "cause": draw(st.sampled_from(CAUSES)),
        "body_site": draw(st.sampled_from(SITES)),
        "length_mm": length,
        "reference_end": draw(st.sampled_from(ENDS)),
    }
    course = {
        "course_id": f"c-{draw(st.integers(1, 10**9))}",
        "patient": patient | draw(st.fixed_dictionaries({}, optional=PERSON)),
        "wound": wound | draw(st.fixed_dictionaries({}, optional={"laterality": LATERALITIES, "description": texts})),
        "opened_at": OPENED.isoformat(),
    }
    if draw(st.booleans()):
        course["encounter"] = {"identifier": {"system": "https://heron-quay.example/stay", "value": "s-1"}}
    entries = draw(_entries(length, most, corrections))
    return {"course": course, "entries": entries}


@st.composite
def _entries(draw: Draw, length: int, most: int, corrections: bool) -> list[dict[str, Any]]:
    at, found, bands = OPENED, [], []  # type: ignore[var-annotated]
    for number in range(draw(st.integers(0, most))):
        at += timedelta(minutes=draw(st.integers(1, 60 * 36)))
        if not bands or draw(st.integers(0, 9)) == 0:
            entry = draw(installations(length))
            bands = entry["bands"]
        else:
            entry = draw(
                st.one_of(
                    checks(length, bands, at), checks(length, bands, at), resets(bands), removals(), reconciliations()
                )
            )
        found.append(_charted(draw, entry, f"e-{number}", at))
    if found and draw(st.booleans()):
        at += timedelta(hours=1)
        result = draw(
            st.sampled_from(
                [
                    "primary-closure",
                    "partial-closure-and-graft",
                    "graft",
                    "flap",
                    "secondary-healing",
                    "abandoned",
                    "died",
                ]
            )
        )
        found.append(_charted(draw, {"kind": "outcome", "result": result}, "out", at))
    return found + (_corrections(draw, found, length, at) if corrections else [])


def _corrections(draw: Draw, found: list[dict[str, Any]], length: int, at: datetime) -> list[dict[str, Any]]:
    """Corrections that leave every other entry in order: checks amended with other gaps, checks retracted."""
    made = []
    for entry in found:
        if entry["kind"] != "check" or draw(st.integers(0, 3)):
            continue
        at += timedelta(minutes=5)
        if draw(st.booleans()):
            corrected = {k: v for k, v in entry.items() if k != "gaps_not_measured"} | {"gaps": draw(gaps(length))}
            row = {"kind": "amendment", "amends": entry["entry_id"], "entry": corrected, "reason": "misread"}
        else:
            row = {"kind": "retraction", "retracts": entry["entry_id"], "reason": "another patient"}
        made.append(_charted(draw, row, f"k-{entry['entry_id']}", at))
    return made


def _charted(draw: Draw, members: dict[str, Any], entry_id: str, at: datetime) -> dict[str, Any]:
    zone = draw(st.sampled_from(ZONES))
    charted = {"entry_id": entry_id, "at": at.astimezone(zone).isoformat(), "performer": draw(performers())}
    return {"kind": members["kind"]} | charted | members
