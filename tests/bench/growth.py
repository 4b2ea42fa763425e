"""Goals 5, 6 and 7: what a search, a write and an export cost while the store grows, on SQLite and on PostgreSQL.

Each size is held against the smallest store (searches) and against an empty one (checks), in turns within one series.
At the smallest size both stores are alike: what the ratio differs from 1 there comes from the machine's other work.
"""

import statistics
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from zoneinfo import ZoneInfo

from service.search.criteria import Setting
from service.search.query import parse
from service.store.rows import Page
from service.workflow import Recorded, Workflow
from tests.bench.exporting import Export, exported
from tests.bench.goals import Measure, reached
from tests.bench.readings import NOW, Ward, as_read
from tests.bench.stores import POSTGRESQL, SITE, Store, Stores
from tests.bench.timing import Compared, Pairs, compared, once_s, settled, share

CODE = "gap-width"
WARM = 20  # searches that are not counted
_SETTING = Setting("http://127.0.0.1:8080/fhir", ZoneInfo("UTC"), NOW)


@dataclass(frozen=True)
class Sizes:
    """Resources in the store one after the other; at each of them searches, checks and exports."""

    resources: tuple[int, ...]
    searches: int
    checks: int
    exports: int


@dataclass
class _Found:
    """What was measured at each size."""

    sizes: Sequence[int]
    searches: list[Compared] = field(default_factory=list)
    checks: list[Pairs] = field(default_factory=list)
    exports: list[Export] = field(default_factory=list)

    def measures(self, stores: Stores) -> Iterator[Measure]:
        engine = stores.engine
        wall = [each.wall for each in self.searches]
        low, high = wall[-1].interval(0.99)
        yield reached(
            "5",
            wall[-1].ratio(0.99),
            engine,
            resources=list(self.sizes),
            p99_x=[round(each.ratio(0.99), 2) for each in wall],
            p99_processor_x=[round(each.processor.ratio(0.99), 2) for each in self.searches],
            p50_x=[round(each.ratio(0.5), 2) for each in wall],
            p99_ms=[_ms(share(each.other, 0.99)) for each in wall],
            p99_of_smallest_ms=[_ms(share(each.one, 0.99)) for each in wall],
            interval=[round(low, 2), round(high, 2)],
            version=stores.growing.filling.version,
        )
        slower = [each.ratio(0.5) for each in self.checks]
        yield reached(
            "6",
            1 / slower[-1],
            engine,
            resources=list(self.sizes),
            check_x=[round(each, 2) for each in slower],
            checks_a_second=[round(1 / statistics.median(each.other), 1) for each in self.checks],
            checks_a_second_when_empty=[round(1 / statistics.median(each.one), 1) for each in self.checks],
        )
        yield from _of_exports(self.exports, engine)


def measures(stores: Stores, sizes: Sizes, folder: Path) -> Iterator[Measure]:
    """The growing store at every size in turn."""
    stores.small.filling.fill(sizes.resources[0])
    if stores.engine == POSTGRESQL:
        yield from _analyzed(stores.small)
    found = _Found(sizes.resources)
    for size in sizes.resources:
        stores.growing.filling.fill(size)
        stores.vacuum()
        found.searches.append(_searches(stores, sizes.searches))
        found.checks.append(_checks(stores, f"ingest-{size}", sizes.checks))
        found.exports.append(exported(stores.growing.database_url, SITE, folder, sizes.exports))
    yield from found.measures(stores)


def _of_exports(exports: Sequence[Export], engine: str) -> Iterator[Measure]:
    last = exports[-1]
    yield reached(
        "7a",
        last.copy_s / last.export_s,
        engine,
        resources=[each.lines for each in exports],
        x=[round(each.copy_s / each.export_s, 3) for each in exports],
        processor_x=round(last.copy_processor_s / last.processor_s, 3),
        durable_copy_x=round(last.durable_copy_s / last.export_s, 3),
        of_durable_copy_x=[round(each.durable_copy_s / each.export_s, 3) for each in exports],
        export_us_each=[round(each.export_s / each.lines * 1e6, 1) for each in exports],
        processor_us_each=[round(each.processor_s / each.lines * 1e6, 1) for each in exports],
        megabytes=[round(each.bytes / 1e6, 1) for each in exports],
    )
    peaks = [round(each.peak_mib, 1) for each in exports]
    yield reached("7b", last.peak_mib / exports[0].peak_mib, engine, peak_mib=peaks)


def _checks(stores: Stores, course_id: str, times: int) -> Pairs:
    both = [_recording(store.workflow, course_id, times) for store in (stores.empty, stores.growing)]
    settled()
    return compared(zip(*both, strict=True)).wall


def _recording(workflow: Workflow, course_id: str, times: int) -> "list[partial[Recorded]]":
    ward = Ward(course_id)
    workflow.record_course(as_read(ward.document(0)), NOW)
    rows = [as_read(ward.check(number)) for number in range(times)]
    return [partial(workflow.record_entries, course_id, row, NOW) for row in rows]


def _searches(stores: Stores, times: int) -> Compared:
    both = [
        [partial(gap_widths, store.workflow, patient) for patient in store.filling.random_patients(times)]
        for store in (stores.small, stores.growing)
    ]
    for works in both:  # connections, statements and the upper pages of the indexes are there
        for work in works[:WARM]:
            work()
    settled()
    return compared(zip(*both, strict=True))


def gap_widths(workflow: Workflow, patient: str) -> Page:
    """The search that is measured: by patient, code and date."""
    code = workflow.site.frame.terms.coding(CODE)
    asked = [("patient", f"Patient/{patient}"), ("code", f"{code['system']}|{code['code']}"), ("date", "ge2026-01-01")]
    with workflow.store.read(SITE) as unit:
        page = unit.search(parse("Observation", asked, _SETTING))
    assert page.rows, "every patient has gap widths"
    return page


def _analyzed(store: Store) -> Iterator[Measure]:
    """What the statistics of the tables are worth when a store has grown from nothing at once (docs/performance.md)."""
    before = statistics.median(map(once_s, _recording(store.workflow, "before-analyze", 10)))
    store.filling.vacuum()
    after = statistics.median(map(once_s, _recording(store.workflow, "after-analyze", 10)))
    yield Measure("PostgreSQL, store grown at once: a check before ANALYZE / after", before / after)


def _ms(seconds: float) -> float:
    return round(seconds * 1000, 3)
