"""Goals 1, 2, 3 and 10: from a check to checked resources on disk, and what a late entry costs."""

import statistics
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import orjson

from service.clinic.course import Step
from service.clinic.standing import Charted, appended
from service.config import Settings
from service.fhir import wire
from service.fhir.project import project_course, project_entry, transaction_bundle, transaction_bytes
from service.fhir.validate import is_valid
from service.projection import Folded, Projected, Site, open_site, project
from service.workflow import Workflow, open_workflow
from tests.bench.bare_commit import BareCommits
from tests.bench.goals import Measure, reached
from tests.bench.readings import NOW, Ward, as_read, charted_of, course_of
from tests.bench.straightforward import Pipeline, mapped, parsed
from tests.bench.timing import cpu_s, in_turns, once_s, settled, share

BASE = "https://closure.example/fhir"
CHECKS_OF_A_COURSE = 60


@dataclass(frozen=True)
class Sizes:
    """How much is measured: rounds of each comparison, checks of the long course, the largest course."""

    rounds: int
    long_checks: int
    largest_bands: int
    largest_checks: int


class NextCheck:
    """A check that is about to be mapped: the course before it is known, and so are the figures after it."""

    def __init__(self, site: Site, before: Folded, charted: Charted) -> None:
        self._site, self._before = site, before
        new = appended(before.entries, [charted])
        assert new, "a check after all others"
        (self._new,) = new
        self._fold = before.fold.copy()
        self._fold.apply(self._new)
        self._fold.summary(NOW)  # the figures are the clinic's; mapping begins where they are known

    def map(self) -> bytes:
        """Mapping alone: figures to Bundle bytes, going on from the check before as the pipeline does."""
        assert self._before.context is not None
        context = self._before.context.after(self._site.frame, [self._new])
        built = project_entry(context, Step(self._new, self._fold))
        built += project_course(context, self._before.course, self._fold, NOW)
        return transaction_bytes(built, BASE)


class Charting:
    """A course as it grows, entry by entry."""

    def __init__(self, site: Site, course_id: str, checks: int) -> None:
        self.sent = as_read(Ward(course_id).document(checks))
        self.site, self.course, self.charted = site, course_of(self.sent), charted_of(self.sent)
        first = self.charted[:1]
        self._count, self.known = 1, project(site, self.course, [], first, NOW).folded

    def next(self) -> NextCheck:
        """The check that comes next, not yet mapped."""
        return NextCheck(self.site, self.known, self.charted[self._count])

    def go_on(self) -> Projected:
        """Take it on, as the pipeline does."""
        before, after = self.charted[: self._count], self.charted[: self._count + 1]
        projected = project(self.site, self.course, before, after, NOW, self.known)
        self._count, self.known = self._count + 1, projected.folded
        return projected


class OneCheck:
    """A young course, its latest check, and the Bundle of what that check's write gives."""

    def __init__(self, site: Site, checks: int = 5) -> None:
        charting = Charting(site, "one", checks)
        for _ in range(checks - 1):
            charting.go_on()
        self.site, self.course = site, charting.course
        self.map = charting.next().map
        self.bundle = transaction_bundle(charting.go_on().resources, [], BASE)
        self.written = wire.write(self.bundle)
        self.plain = orjson.loads(self.written)
        self.entry = charting.sent["entries"][-1]


def mapping(one: OneCheck, rounds: int) -> Iterator[Measure]:
    """Checks of growing courses, each mapped once and its Bundle dumped once, as at the bedside; then one repeated."""
    units, owns, others = [], [], []
    settled()
    for number in range(max(1, rounds // CHECKS_OF_A_COURSE)):
        charting = Charting(one.site, f"fresh-{number}", min(rounds, CHECKS_OF_A_COURSE))
        for count in range(len(charting.charted) - 1):
            check = charting.next()
            owns.append(cpu_s(check.map))
            plain = orjson.loads(wire.write(transaction_bundle(charting.go_on().resources, [], BASE)))
            assert orjson.loads(check.map()) == plain, "what is timed gives what the pipeline gives"
            units.append(cpu_s(partial(orjson.dumps, plain)))
            if count % 10 == 0:
                others.append(cpu_s(partial(mapped, [entry["resource"] for entry in plain["entry"]], BASE)))
    unit, own = statistics.median(units), statistics.median(owns)
    again = in_turns([lambda: orjson.dumps(one.plain), one.map], rounds, each=3)
    yield reached("1a", own / unit, checks=len(owns), repeated_x=round(again[1] / again[0], 1))
    yield reached("1b", statistics.median(others) / own)


def validation(one: OneCheck, rounds: int) -> Iterator[Measure]:
    def check() -> bool:
        return is_valid(one.bundle, profile_rules=one.site.rules)

    assert check()
    settled()
    unit, own = in_turns([lambda: orjson.dumps(one.plain), check], rounds, each=3)
    (other,) = in_turns([lambda: parsed(one.written)], max(5, rounds // 10))
    yield reached("2a", own / unit)
    yield reached("2b", other / own)


def commits(one: OneCheck, folder: Path, sizes: Sizes) -> Iterator[Measure]:
    """A check at a time to a durable commit, the unit in turns with it; then the straightforward one."""
    workflow = open_workflow(Settings(database_url=f"sqlite:///{folder}/commits.sqlite3"))
    ward = Ward("long")
    workflow.record_course(as_read(ward.document(0)), NOW)
    units, taken, busy = [], [], []
    settled()
    for number in range(sizes.long_checks):
        row = as_read(ward.check(number))
        units.append(cpu_s(lambda: orjson.dumps(one.plain)))
        started = time.thread_time()
        taken.append(once_s(partial(workflow.record_entries, "long", row, NOW)))
        busy.append(time.thread_time() - started)
    workflow.close()
    unit, half = statistics.median(units), share(taken[3:], 0.5)
    other = _straightforward(one, folder, max(3, sizes.rounds // 20))
    processor_x = round(share(busy[3:], 0.5) / unit, 1)
    yield reached("3a", half / unit, processor_x=processor_x, us=round(half * 1e6), unit_us=round(unit * 1e6))
    yield reached("3b", other / statistics.median(taken[3:23]))
    yield reached("3c", share(taken[3:], 0.99) / half)
    bare, bare_busy = _bare(folder, sizes.long_checks)
    detail = {"processor_x": round(bare_busy / unit, 1)}
    yield Measure("a bare commit of the same rows / orjson.dumps", bare / unit, detail=detail)
    yield reached("3d", statistics.median(busy[-20:]) / statistics.median(busy[3:23]), checks=sizes.long_checks)


def _bare(folder: Path, checks: int) -> tuple[float, float]:
    """What disk and SQLite alone take of a check, wall and processor time; after the checks, whose caches it takes."""
    bare = BareCommits(folder, checks)
    taken, busy = [], []
    settled()
    for number in range(checks):
        started = time.thread_time()
        taken.append(once_s(partial(bare.commit, number)))
        busy.append(time.thread_time() - started)
    bare.close()
    return share(taken[3:], 0.5), share(busy[3:], 0.5)


def _straightforward(one: OneCheck, folder: Path, times: int) -> float:
    pipeline = Pipeline(f"sqlite:///{folder}/plain.sqlite3", one.site, one.course)
    resources = [entry["resource"] for entry in one.plain["entry"]]
    for charted in as_read(Ward("one").document(4))["entries"]:
        pipeline.record(charted, resources[:1], BASE, NOW)
    taken = [
        once_s(partial(pipeline.record, one.entry | {"entry_id": f"new-{n}"}, _renamed(resources, n), BASE, NOW))
        for n in range(times)
    ]
    pipeline.close()
    return statistics.median(taken)


def _renamed(resources: list[dict[str, Any]], number: int) -> list[dict[str, Any]]:
    """The check's own resources under new ids, as a further check gives; those of the course stay."""
    own = {"Observation", "Procedure"}
    return [r | {"id": f"n{number}-{r['id'][:50]}"} if r["resourceType"] in own else r for r in resources]


def late_entry(folder: Path, sizes: Sizes) -> Iterator[Measure]:
    workflow = open_workflow(Settings(database_url=f"sqlite:///{folder}/late.sqlite3"))
    yield reached("10", *_late(workflow, Ward("late", bands=35), min(60, sizes.long_checks)))
    workflow.close()


def _late(workflow: Workflow, ward: Ward, checks: int) -> tuple[float]:
    workflow.record_course(as_read(ward.document(checks - 10)), NOW)
    document = [as_read(ward.check(number)) for number in range(checks - 10, checks)]
    settled()
    one = statistics.median(once_s(partial(workflow.record_entries, ward.course_id, row, NOW)) for row in document)
    return (once_s(lambda: workflow.record_entries(ward.course_id, as_read(ward.late_check()), NOW)) / one,)


def largest_course(folder: Path, sizes: Sizes) -> Iterator[Measure]:
    """The largest course that the intake takes: does a check still cost what the bands cost, and no more?"""
    workflow = open_workflow(Settings(database_url=f"sqlite:///{folder}/largest.sqlite3"))
    ward = Ward("largest", bands=sizes.largest_bands)
    workflow.record_course(as_read(ward.document(0)), NOW)
    taken = [
        once_s(partial(workflow.record_entries, "largest", as_read(ward.check(n)), NOW))
        for n in range(sizes.largest_checks)
    ]
    tenth = max(3, len(taken) // 10)
    first, last = statistics.median(taken[:tenth]), statistics.median(taken[-tenth:])
    late = once_s(lambda: workflow.record_entries("largest", as_read(ward.late_check()), NOW))
    view = once_s(lambda: workflow.course_view("largest", NOW))
    workflow.close()
    words = f"{sizes.largest_bands} bands, {sizes.largest_checks} checks"
    yield Measure(f"largest course ({words}): last checks / first checks", last / first)
    yield Measure(f"largest course ({words}): late entry / a check", late / last)
    yield Measure(f"largest course ({words}): a check", last * 1000, "ms")
    yield Measure(f"largest course ({words}): its view", view * 1000, "ms")


def measures(folder: Path, sizes: Sizes) -> Iterator[Measure]:
    one = OneCheck(open_site(Settings()))
    yield from mapping(one, sizes.rounds)
    yield from validation(one, sizes.rounds)
    yield from commits(one, folder, sizes)
    yield from late_entry(folder, sizes)
    yield from largest_course(folder, sizes)
