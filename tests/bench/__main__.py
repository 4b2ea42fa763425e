"""`make bench`: how the steps of one check compare with writing its Bundle as JSON, in one run. Only ratios count."""

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import orjson

from service import strict_json
from service.config import Settings
from service.fhir import wire
from service.fhir.validate import is_valid
from service.projection import map_document, open_site
from service.workflow import open_workflow

NOW = datetime(2026, 11, 1, tzinfo=UTC)
STATIONS, BANDS, CHECKS = range(20, 160, 20), range(1, 12), 60


def installation() -> dict[str, object]:
    performer = {"identifier": {"system": "https://alder-bay.example/staff", "value": "s-1"}}
    bands = [
        {"band": b, "station_mm": 12 * b, "rest_mark_mm": 10, "mark_mm": 18, "tail_mm": 80} for b in BANDS
    ]  # fmt: skip
    gaps = [{"station_mm": s, "gap_mm": 60} for s in STATIONS]
    head = {"kind": "installation", "entry_id": "in-1", "at": "2026-03-02T11:00:00Z", "performer": performer}
    return head | {
        "anchors_per_side": 17, "anchor_interval_mm": 10, "setback_mm": 12, "bands": bands, "gaps": gaps
    }  # fmt: skip


def check(number: int) -> dict[str, object]:
    at = datetime(2026, 3, 2, 12, tzinfo=UTC) + timedelta(hours=number)
    return {
        "kind": "check", "entry_id": f"ch-{number}", "at": at.isoformat(), "performer": installation()["performer"],
        "device_status": "in-place", "gaps": [{"station_mm": s, "gap_mm": 60 - number % 50} for s in STATIONS],
        "bands": [{"band": b, "mark_mm": 17} for b in BANDS],
    }  # fmt: skip


def document(name: str, checks: int) -> dict[str, object]:
    patient = {"identifier": {"system": "https://alder-bay.example/mrn", "value": name}}
    wound = {"cause": "fasciotomy", "body_site": "lower-leg", "length_mm": 160, "reference_end": "proximal"}
    course = {"course_id": name, "patient": patient, "wound": wound, "opened_at": "2026-03-02T08:00:00Z"}
    return {"course": course, "entries": [installation(), *(check(n) for n in range(checks))]}


def median_s(work: Callable[[], object], times: int) -> float:
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def main() -> int:
    site = open_site(Settings())
    bundle = wire.read(map_document(site, document("one", 1), NOW, "http://127.0.0.1:8080/fhir"))
    plain = orjson.loads(wire.write(bundle))
    unit = median_s(lambda: orjson.dumps(plain), 300)
    rows = [("validate its Bundle", median_s(lambda: is_valid(bundle), 100))]
    rows.append(
        ("course file to Bundle bytes", median_s(lambda: map_document(site, document("one", 1), NOW, "http://x"), 30))
    )
    with tempfile.TemporaryDirectory() as folder:
        workflow = open_workflow(Settings(database_url=f"sqlite:///{Path(folder)}/bench.sqlite3"))
        workflow.record_course(document("long", 0), NOW)
        appended = []
        for number in range(CHECKS):
            row = strict_json.read(strict_json.write(check(number)))
            start = time.perf_counter()
            workflow.record_entries("long", row, NOW)
            appended.append(time.perf_counter() - start)
        rows.append(("check to durable commit, first ten", statistics.median(appended[:10])))
        rows.append((f"check to durable commit, after {CHECKS - 10}", statistics.median(appended[-10:])))
        late = check(0) | {"entry_id": "late", "at": "2026-03-02T11:30:00+00:00"}
        start = time.perf_counter()
        workflow.record_entries("long", late, NOW)
        rows.append((f"late entry before {CHECKS} checks", time.perf_counter() - start))
        workflow.close()
    print(f"orjson.dumps of a check's Bundle ({len(wire.write(bundle)) // 1000} kB): {unit * 1e6:.0f} us = 1")
    for name, taken in rows:
        print(f"{name:40} {taken / unit:8.1f} x")
    return 0


if __name__ == "__main__":
    sys.exit(main())
