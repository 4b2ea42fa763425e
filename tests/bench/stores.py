"""Three stores of one engine, open together: an empty one, a small one, and one that grows. Asked in turns."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass

from service.config import Settings
from service.workflow import Workflow, open_workflow
from tests.bench.readings import NOW, Ward, as_read
from tests.bench.rows import Filling

SITE = "demo"
CHECKS_OF_MOLD = 12
SQLITE, POSTGRESQL = "SQLite", "PostgreSQL"


@dataclass(frozen=True)
class Store:
    """A store with the service's verbs, and what fills it."""

    database_url: str
    workflow: Workflow
    filling: Filling


@dataclass(frozen=True)
class Stores:
    """The three stores of one engine."""

    engine: str
    empty: Store  # but for one course, as the others have it too
    small: Store
    growing: Store

    def vacuum(self) -> None:
        """What a PostgreSQL server does by itself within a minute of growth; a SQLite file needs nothing."""
        if self.engine == POSTGRESQL:
            for store in (self.empty, self.small, self.growing):
                store.filling.vacuum()


@contextmanager
def opened(engine: str, new_database: Callable[[str], str]) -> Iterator[Stores]:
    """`new_database` gives the address of an empty database; it is told a name."""
    with ExitStack() as stack:
        yield Stores(
            engine, *(stack.enter_context(store_on(new_database(name))) for name in ("empty", "small", "growing"))
        )


@contextmanager
def store_on(database_url: str, checks: int = CHECKS_OF_MOLD) -> Iterator[Store]:
    """A store that holds one recorded course of so many checks."""
    with closing(open_workflow(Settings(database_url=database_url))) as workflow:
        workflow.record_course(as_read(Ward("mold").document(checks)), NOW)
        with closing(Filling(database_url, SITE, "mold")) as filling:
            yield Store(database_url, workflow, filling)
