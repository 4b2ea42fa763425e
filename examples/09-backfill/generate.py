"""Generated courses for a backfill: seeded, the same on every machine, realistic by published series.

    python examples/09-backfill/generate.py --courses 200 --seed 1 --out courses.jsonl

Hospital, staff and patients are invented. Ranges come from the sources beside the numbers (abstracts of the series);
what is marked "own choice" has no source and only makes the courses look like a ward's. Nothing here is evidence
about treatment. Course n is the same whatever `--courses` says, so five are the first five of two hundred.
"""

import argparse
import json
import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from pathlib import Path
from statistics import NormalDist
from typing import Any

HOSPITAL = "https://tarnfels.example"
FAMILIES = (
    "Ahrendal", "Brackwater", "Corvane", "Dunveil", "Estermont", "Fjeldby", "Grauweiler", "Haskett", "Iskander-Noll",
    "Jovarin", "Kestrelund", "Lomarque", "Mirabek", "Noorwyk", "Oldmere", "Pellarin", "Quellin", "Rosendahl-Vey",
    "Sturmbach", "Tavernall", "Ulvaeus-Korn", "Vandersloot", "Wexcombe", "Yarrowby", "Zelenka-Thal",
)  # fmt: skip
GIVEN = {
    "female": ("Amara", "Beatrix", "Celeste", "Dilan", "Elina", "Ilse", "Noor", "Petra", "Ruxandra", "Sefa"),
    "male": ("Aurel", "Bram", "Cosmin", "Davor", "Emeka", "Jorin", "Lennart", "Matthis", "Rafael", "Tomas"),
}
NURSES = (("n-1104", "R. Ostrander"), ("n-1131", "M. Duquesne"), ("n-1162", "T. Aalborg"), ("n-1175", "S. Imanov"))
SURGEONS = (("s-204", "Dr. H. Calloway"), ("s-219", "Dr. Y. Brandvold"))

# Barnes et al., J Surg Orthop Adv 2018;27(2):155-9: 16.1 +/- 6 cm long, 6.3 +/- 2 cm wide (17 incisions).
# Kenny et al., Ann Plast Surg 2018, doi 10.1097/SAP.0000000000001506: 5-32 cm long, 1-12 cm wide (25 wounds).
LENGTH_MM = (161, 60, 50, 320)  # mean, standard deviation, smallest, largest
WIDTH_MM = (63, 20, 10, 120)
WIDEST_SHARE_OF_LENGTH = 0.6  # own choice: a wound is longer than it is wide
# Torres et al., vessel-loop series, final report: 7.9 +/- 3.31 d (122 wounds). Fastest 2 d: Barnes 2018;
# slowest 30 d: Eceviz and Cevik, Adv Skin Wound Care 2020;33(9).
DAYS = (7.9, 3.31, 2, 30)
# Kenny 2018: 23 of 25 wounds closed after repeated stages. How the others ended is our own choice.
PRIMARY_CLOSURE = 23 / 25
OTHER_RESULTS = ("graft", "partial-closure-and-graft", "flap", "secondary-healing", "abandoned")
# Velmahos et al., World J Surg 1997;21(3):247-52: local complications in 29 of 94 (31 %).
SKIN_SIGNS = 29 / 94
SIGNS = ("blanching", "blister", "erosion", "anchor-pull-through", "infection-signs")
# Every day: Am J Surg 1994;167(4):435-6. Every second day: Eceviz and Cevik 2020. 48-72 h: Chang et al.,
# Orthopedics 2020. The shares are our own choice.
RESET_EVERY_DAYS = (1, 1, 1, 1, 1, 1, 1, 2, 2, 3)
# Girth +5 % of a 36 cm calf opens a single wound by 18 mm (geometry); how often is our own choice.
SWELLING = 0.4
SWELLING_MM = (10, 4, 4, 18)
READING_ERROR_MM = 1.0  # own choice: half of the 2 mm that is taken as the error of a gap reading
REST_MARK_MM = 10
FIRST_OPENED = datetime(2022, 1, 10, 14)  # own choice; the others within 1000 days
REMOVAL_REASON = {"primary-closure": "closed", "abandoned": "intolerance"}


class Draws:
    """Random draws that are the same on every machine: all from `Random.random()`, whose sequence is fixed."""

    def __init__(self, seed: str) -> None:
        self._random = random.Random(seed)

    def unit(self) -> float:
        return self._random.random()

    def chance(self, probability: float) -> bool:
        return self.unit() < probability

    def pick(self, choices: Sequence[Any]) -> Any:
        return choices[int(self.unit() * len(choices))]

    def between(self, low: float, high: float) -> float:
        return low + (high - low) * self.unit()

    def normal(self, mean: float, deviation: float, low: float, high: float) -> float:
        """Normal between two bounds, by the inverse of the distribution cut there."""
        curve = NormalDist(mean, deviation)
        below, above = curve.cdf(low), curve.cdf(high)
        return min(max(curve.inv_cdf(below + (above - below) * self.between(1e-9, 1 - 1e-9)), low), high)

    def lognormal(self, mean: float, deviation: float, low: float, high: float) -> float:
        """Log-normal with this mean and deviation before it is cut."""
        spread = math.log(1 + (deviation / mean) ** 2)
        centre = math.log(mean) - spread / 2
        return math.exp(self.normal(centre, math.sqrt(spread), math.log(low), math.log(high)))


@dataclass(slots=True)
class Plan:
    """What will have happened in this course, drawn beforehand."""

    length_mm: int
    widest_mm: float
    last_mm: float
    days: float
    result: str
    reset_every: int
    swelling_mm: float
    swelling_day: float
    sign: str | None
    sign_day: int
    setback_mm: int
    opened: datetime  # local clock


@dataclass(slots=True)
class Band:
    number: int
    station_mm: int
    tail_mm: float
    unstretched_mm: float = 0.0

    def stretch(self, gap_mm: float, setback_mm: int) -> float:
        return max(1.0, (gap_mm + 2 * setback_mm) / self.unstretched_mm)  # a slack band shows its mark at rest


@dataclass(slots=True)
class Bedside:
    """The wound, its bands and what has been charted so far."""

    plan: Plan
    draw: Draws
    bands: list[Band]
    entries: list[dict[str, Any]] = field(default_factory=list)
    skin_at_risk: bool = False

    def chart(self, kind: str, at: datetime, staff: tuple[str, str], **members: Any) -> dict[str, Any]:
        number = len(self.entries) + 1
        entry = {"kind": kind, "entry_id": f"e{number:03}", "at": with_offset(at), "performer": performer(staff)}
        entry |= {name: value for name, value in members.items() if value is not None}
        self.entries.append(entry)
        return entry

    def day(self, at: datetime) -> float:
        return (at - self.plan.opened) / timedelta(days=1)

    def gap_mm(self, station_mm: float, at: datetime) -> float:
        """An ellipse at first that grows more and more parallel, and swelling for a day or two."""
        plan = self.plan
        done = min(1.0, max(0.0, self.day(at) / plan.days))
        widest = plan.last_mm + (plan.widest_mm - plan.last_mm) * (1 - done) ** 1.4
        widest += plan.swelling_mm * math.exp(-(((self.day(at) - plan.swelling_day) / 0.8) ** 2))
        along = 2 * station_mm / plan.length_mm - 1
        return widest * (1 - along**2) ** (0.5 * (1 - 0.7 * done))

    def read_gaps(self, at: datetime) -> list[dict[str, Any]]:
        count = 3 if self.plan.length_mm < 120 else 5 if self.plan.length_mm < 220 else 7
        stations = [to_five(self.plan.length_mm * (i + 1) / (count + 1)) for i in range(count)]
        return [{"station_mm": s, "gap_mm": self._ruler(self.gap_mm(s, at), READING_ERROR_MM, 1)} for s in stations]

    def read_bands(self, at: datetime) -> list[dict[str, Any]]:
        return [
            {"band": band.number, "mark_mm": self._mark(band, at), "tail_mm": int(band.tail_mm)} for band in self.bands
        ]

    def set_band(self, band: Band, at: datetime) -> float:
        """The mark a band is set to: tension highest in the middle, between 1.65 and 1.9."""
        along = 2 * band.station_mm / self.plan.length_mm - 1
        mark = half(REST_MARK_MM * (1.65 + 0.25 * (1 - along**2)))
        span = self.gap_mm(band.station_mm, at) + 2 * self.plan.setback_mm
        before, band.unstretched_mm = band.unstretched_mm, span / (mark / REST_MARK_MM)
        if before:
            band.tail_mm = max(5.0, band.tail_mm + before - band.unstretched_mm)
        return mark

    def _mark(self, band: Band, at: datetime) -> float:
        stretch = band.stretch(self.gap_mm(band.station_mm, at), self.plan.setback_mm)
        return min(max(self._ruler(REST_MARK_MM * stretch, 0.2, 0.5), float(REST_MARK_MM)), 4.0 * REST_MARK_MM)

    def _ruler(self, value: float, error: float, step: float) -> Any:
        read = max(0.0, self.draw.normal(value, error, value - 3 * error, value + 3 * error))
        return half(read) if step == 0.5 else round(read)


def half(value: float) -> float:
    return round(value * 2) / 2


def to_five(value: float) -> int:
    return 5 * round(value / 5)


def performer(staff: tuple[str, str]) -> dict[str, Any]:
    return {"identifier": {"system": f"{HOSPITAL}/staff-number", "value": staff[0]}, "display": staff[1]}


def with_offset(at: datetime) -> str:
    """Local clock with the offset of central European time (summer: last Sundays of March and October)."""
    summer = last_sunday(at.year, 3) + timedelta(hours=2) <= at < last_sunday(at.year, 10) + timedelta(hours=3)
    return f"{at.isoformat(timespec='seconds')}{'+02:00' if summer else '+01:00'}"


def last_sunday(year: int, month: int) -> datetime:
    """Of a month of 31 days."""
    return next(day for day in (datetime(year, month, n) for n in range(31, 24, -1)) if day.weekday() == 6)


def plan_course(draw: Draws) -> Plan:
    length = to_five(draw.normal(*LENGTH_MM))
    widest = min(draw.normal(*WIDTH_MM), WIDEST_SHARE_OF_LENGTH * length)
    days = draw.lognormal(*DAYS)
    closed = draw.chance(PRIMARY_CLOSURE)
    swells = draw.chance(SWELLING)
    sign = draw.pick(SIGNS) if draw.chance(SKIN_SIGNS) else None
    return Plan(
        length_mm=length,
        widest_mm=widest,
        last_mm=draw.between(0.5, 3.0) if closed else widest * draw.between(0.35, 0.7),
        days=days,
        result="primary-closure" if closed else draw.pick(OTHER_RESULTS),
        reset_every=draw.pick(RESET_EVERY_DAYS),
        swelling_mm=draw.normal(*SWELLING_MM) if swells else 0.0,
        swelling_day=min(draw.between(1.0, 2.5), days / 2),
        sign=sign,
        sign_day=1 + int(draw.unit() * min(4.0, days)),
        setback_mm=draw.pick((10, 12, 15)),
        opened=FIRST_OPENED + timedelta(days=int(draw.between(0, 1000)), minutes=int(draw.between(0, 300))),
    )


def install(side: Bedside, at: datetime) -> None:
    plan = side.plan
    bands = []
    for band in side.bands:
        mark = side.set_band(band, at)
        bands.append({
            "band": band.number, "station_mm": band.station_mm, "rest_mark_mm": REST_MARK_MM, "mark_mm": mark,
            "tail_mm": int(band.tail_mm),
        })  # fmt: skip
    side.chart(
        "installation", at, side.draw.pick(SURGEONS), anchors_per_side=plan.length_mm // 10 + 1, anchor_interval_mm=10,
        setback_mm=plan.setback_mm, undermined_mm=side.draw.pick((None, 5, 10, 15)), bands=bands,
        gaps=side.read_gaps(at), dressings_placed=1,
    )  # fmt: skip


def check(side: Bedside, at: datetime, day: int, morning: bool) -> None:
    sign = side.plan.sign if side.plan.sign and side.plan.sign_day <= day <= side.plan.sign_day + 1 else None
    side.skin_at_risk = sign is not None
    measured = morning or side.draw.chance(0.5)
    dressing: dict[str, Any] = {"changed": False, "covers_anchors": False}
    if morning:
        dressing = {"changed": True, "covers_anchors": False, "placed": 1, "removed": 1, "smallest_side_mm": 150}
    side.chart(
        "check", at, side.draw.pick(NURSES), device_status="in-place",
        gaps=side.read_gaps(at) if measured else None,
        gaps_not_measured=None if measured else "dressing left in place for the night",
        bands=side.read_bands(at), dressing=dressing, skin=[sign or "intact"], pain_0_10=round(side.draw.between(0, 6)),
        mobilised=day > 1 or None,
    )  # fmt: skip


def reset(side: Bedside, at: datetime) -> None:
    before = {row["band"]: row["mark_mm"] for row in side.read_bands(at)}
    rows = []
    for band in side.bands:
        after = side.set_band(band, at)
        rows.append({
            "band": band.number, "mark_mm_before": before[band.number], "mark_mm_after": after,
            "tail_mm": int(band.tail_mm),
        })  # fmt: skip
    side.chart("reset", at, side.draw.pick(NURSES), bands=rows)


def take_out(side: Bedside, at: datetime) -> None:
    anchors = 2 * side.entries[0]["anchors_per_side"]
    lost = side.draw.chance(0.03)
    side.chart(
        "removal", at, side.draw.pick(SURGEONS), anchors_removed=anchors, bands_removed=len(side.bands),
        dressings_removed=0 if lost else 1, reason=REMOVAL_REASON.get(side.plan.result, "other"),
    )  # fmt: skip
    if lost:
        nurse = side.draw.pick(NURSES)
        side.chart(
            "reconciliation", at + timedelta(minutes=25), nurse, item="dressings", found=1, left_on_purpose=0,
            unaccounted_escalated=0, responsible=performer(nurse), reason="found with the drapes of the procedure",
        )  # fmt: skip
    done = at + timedelta(minutes=40)
    side.chart("outcome", done, side.draw.pick(SURGEONS), result=side.plan.result, closed_at=with_offset(at))


def correct(side: Bedside) -> None:
    """Now and then a mark was mistyped and amended, or a look at another patient's wound was retracted."""
    checks = [entry for entry in side.entries if entry["kind"] == "check"]
    if side.draw.chance(0.05):
        wrong = side.draw.pick(checks)
        right = json.loads(json.dumps(wrong))
        reading = side.draw.pick(wrong["bands"])
        reading["mark_mm"] = min(reading["mark_mm"] + 10, 4.0 * REST_MARK_MM)
        at = datetime.fromisoformat(wrong["at"]).replace(tzinfo=None) + timedelta(minutes=20)
        side.chart(
            "amendment", at, side.draw.pick(NURSES), amends=wrong["entry_id"], entry=right, reason="mark mistyped"
        )
    if side.draw.chance(0.02):
        stray = json.loads(json.dumps(side.draw.pick(checks)))
        at = datetime.fromisoformat(stray["at"]).replace(tzinfo=None) + timedelta(minutes=35)
        stray |= {"entry_id": f"e{len(side.entries) + 1:03}", "at": with_offset(at)}
        side.entries.append(stray)
        side.chart(
            "retraction", at + timedelta(minutes=10), side.draw.pick(NURSES), retracts=stray["entry_id"],
            reason="charted for another patient",
        )  # fmt: skip


def course_file(number: int, seed: int) -> dict[str, Any]:
    """Course file `number` (from 1) of this seed."""
    draw = Draws(f"{seed}/{number}")
    plan = plan_course(draw)
    count = max(2, round(plan.length_mm / 25))
    stations = [to_five(plan.length_mm * (i + 0.5) / count) for i in range(count)]
    side = Bedside(plan, draw, [Band(i + 1, s, draw.between(45, 110)) for i, s in enumerate(stations)])
    installed = plan.opened + timedelta(minutes=int(draw.between(30, 180)))
    install(side, installed)
    for day in range(1, math.ceil(plan.days) + 1):
        _day(side, day, installed)
    take_out(side, max(plan.opened + timedelta(days=plan.days), _latest(side) + timedelta(hours=1)))
    correct(side)
    if draw.chance(0.05):  # a flowsheet that exports in no order
        side.entries.sort(key=lambda entry: draw.unit())
    return {"course": _course(number, seed, plan, draw), "entries": side.entries}


def _day(side: Bedside, day: int, installed: datetime) -> None:
    date_of_day = datetime.combine((installed + timedelta(days=day)).date(), time())
    last = side.plan.opened + timedelta(days=side.plan.days)
    morning = date_of_day + timedelta(hours=8, minutes=int(side.draw.between(-30, 60)))
    if morning >= last and day > 1:
        return
    check(side, morning, day, morning=True)
    if day % side.plan.reset_every == 0 and not side.skin_at_risk:
        reset(side, morning + timedelta(minutes=15))
    evening = date_of_day + timedelta(hours=19, minutes=int(side.draw.between(-45, 60)))
    if evening < last and side.draw.chance(0.6):
        check(side, evening, day, morning=False)


def _latest(side: Bedside) -> datetime:
    return datetime.fromisoformat(side.entries[-1]["at"]).replace(tzinfo=None)


def _course(number: int, seed: int, plan: Plan, draw: Draws) -> dict[str, Any]:
    gender = draw.pick(("female", "male"))
    body_site = draw.pick(("lower-leg",) * 6 + ("forearm",) * 2 + ("thigh",) + ("upper-arm",))
    born = date(1938, 1, 1) + timedelta(days=int(draw.between(0, 24000)))
    return {
        "course_id": f"tarnfels-{seed}-{number:05}",
        "patient": {
            "identifier": {"system": f"{HOSPITAL}/patient-number", "value": f"T{700000 + number}"},
            "family": draw.pick(FAMILIES), "given": [draw.pick(GIVEN[gender])], "birth_date": born.isoformat(),
            "gender": gender,
        },
        "encounter": {"identifier": {"system": f"{HOSPITAL}/stay-number", "value": f"A{310000 + number}"}},
        "wound": {
            "cause": draw.pick(("fasciotomy",) * 8 + ("trauma", "surgical-dehiscence")), "body_site": body_site,
            "laterality": draw.pick(("left", "right")), "length_mm": plan.length_mm, "reference_end": "proximal",
        },
        "opened_at": with_offset(plan.opened),
    }  # fmt: skip


def course_files(courses: int, seed: int) -> Iterator[dict[str, Any]]:
    """The first so many course files of this seed."""
    return (course_file(number, seed) for number in range(1, courses + 1))


def main() -> None:
    arguments = argparse.ArgumentParser(description="Write generated course files as JSON Lines.")
    arguments.add_argument("--courses", type=int, default=200, help="how many (default 200)")
    arguments.add_argument("--seed", type=int, default=1, help="another seed, other courses (default 1)")
    arguments.add_argument("--out", type=Path, required=True, help="the JSON Lines file to write")
    given = arguments.parse_args()
    with given.out.open("w", encoding="utf-8", newline="\n") as lines:
        for sent in course_files(given.courses, given.seed):
            lines.write(json.dumps(sent, ensure_ascii=False, separators=(",", ":")) + "\n")
    print(f"{given.courses} course files in {given.out}")


if __name__ == "__main__":
    main()
