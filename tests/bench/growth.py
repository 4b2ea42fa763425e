"""Goals 5 and 6: what a search and a write cost while the store grows, on SQLite and on PostgreSQL."""

import statistics
from collections.abc import Iterator, Sequence
from zoneinfo import ZoneInfo

from service.config import Settings
from service.search.criteria import Setting
from service.search.query import parse
from service.workflow import Workflow, open_workflow
from tests.bench.goals import Measure, reached
from tests.bench.readings import NOW, Ward, as_read
from tests.bench.rows import Mold, random_casts
from tests.bench.timing import once_s, settled, share

SITE = "demo"
CODE = "gap-width"
CHECKS_OF_MOLD = 12
WRITES = 40
_SETTING = Setting("http://127.0.0.1:8080/fhir", ZoneInfo("UTC"), NOW)


def measures(database_url: str, engine: str, sizes: Sequence[int], searches: int) -> Iterator[Measure]:
    """A store of every size in turn: search by patient, code and date; checks recorded to a durable commit."""
    workflow = open_workflow(Settings(database_url=database_url))
    workflow.record_course(as_read(Ward("mold").document(CHECKS_OF_MOLD)), NOW)
    rates, slow, halves = [_checks_a_second(workflow, 0)], [], []
    mold = Mold(database_url, SITE, "mold")
    for size in sizes:
        mold.fill(size)
        times = _searches(workflow, mold, searches)
        slow.append(share(times, 0.99))
        halves.append(share(times, 0.5))
        rates.append(_checks_a_second(workflow, size))
    mold.close()
    workflow.close()
    grown = {
        "resources": list(sizes),
        "search_p99_ms": [round(t * 1e3, 3) for t in slow],
        "search_p50_ms": [round(t * 1e3, 3) for t in halves],
        "checks_a_second": [round(rate, 1) for rate in rates],  # the first into the empty store
    }
    yield reached("5", slow[-1] / slow[0], engine, **grown)
    yield reached("6", rates[-1] / rates[0], engine, **grown)


def _checks_a_second(workflow: Workflow, size: int) -> float:
    ward = Ward(f"ingest-{size}")
    workflow.record_course(as_read(ward.document(0)), NOW)
    rows = [as_read(ward.check(number)) for number in range(WRITES)]
    settled()
    return 1 / statistics.median(
        once_s(lambda row=row: workflow.record_entries(ward.course_id, row, NOW)) for row in rows
    )


def _searches(workflow: Workflow, mold: Mold, times: int) -> list[float]:
    code = workflow.site.frame.terms.coding(CODE)
    taken = []
    for cast in random_casts(mold, times):
        pairs = [
            ("patient", f"Patient/{mold.patient(cast)}"),
            ("code", f"{code['system']}|{code['code']}"),
            ("date", "ge2026-01-01"),
        ]
        taken.append(once_s(lambda pairs=pairs: _search(workflow, pairs)))
    return taken


def _search(workflow: Workflow, pairs: list[tuple[str, str]]) -> None:
    with workflow.store.read(SITE) as unit:
        page = unit.search(parse("Observation", pairs, _SETTING))
    assert page.rows, "every patient has gap widths"
