"""One write of one site: a transaction that is on disk as a whole when it ends, or leaves no trace."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from hashlib import sha256

from sqlalchemy import Connection, bindparam, func, insert, literal_column, select, update
from sqlalchemy.dialects.postgresql import insert as insert_postgresql
from sqlalchemy.dialects.sqlite import insert as insert_sqlite

from service import counting
from service.search.dates import microseconds
from service.store.courses import CourseReads
from service.store.rows import CourseRow, Draft, EntryRow, Saved, Written
from service.store.saving import Key, Saving, Stamp
from service.store.statements import Statement, insertion
from service.store.tables import course_revisions, courses, entries, site_clocks
from service.store.token_sets import NewTokenSets, TokenSets

_MILLISECOND = 1000

_clock, _c, _e = site_clocks.c, courses.c, entries.c
_CLOCK = Statement(
    select(_clock.last_updated, _clock.last_arrival, _clock.last_token_set)
    .where(_clock.site == bindparam("site"))
    .with_for_update()
)
_SET_CLOCK = Statement(
    update(site_clocks)
    .where(_clock.site == bindparam("of_site"))
    .values({name: bindparam(name) for name in ("last_updated", "last_arrival", "last_token_set")})
)
_MY_COURSE = (_c.site == bindparam("of_site"), _c.course_id == bindparam("of_course"))
_ADD_COURSE = Statement(insertion(courses))
_SET_STATE = Statement(
    update(courses).where(*_MY_COURSE).values({n: bindparam(n) for n in ("state", "due_at", "overdue_shown")})
)
_KEEP_HEADER = Statement(
    insert(course_revisions).from_select(
        [column.name for column in course_revisions.c],
        select(*(_c[column.name] for column in course_revisions.c)).where(*_MY_COURSE),
    )
)
_SET_HEADER = Statement(
    update(courses)
    .where(*_MY_COURSE)
    .values(
        {"revision": _c.revision + literal_column("1")}
        | {name: bindparam(name) for name in ("header", "digest", "received_at")}
    )
)
_LAST_ENTRY = Statement(
    select(func.max(_e.arrival)).where(_e.site == bindparam("site"), _e.course_id == bindparam("course_id"))
)
_ADD_ENTRY = Statement(insertion(entries))


class WriteUnit(CourseReads):
    """What can be done within one write. Its time is later than that of every write of the site before."""

    def __init__(self, connection: Connection, site: str, now: datetime, token_sets: TokenSets) -> None:
        super().__init__(connection, site)
        self.now = now
        self.written: list[Written] = []
        self._entries = 0
        self._clock = self._locked_clock()
        if token_sets.may_lack(self._clock.last_token_set):
            token_sets.refresh(connection)
        self._token_sets = NewTokenSets(token_sets, max(self._clock.last_token_set, token_sets.last))

    def _locked_clock(self) -> Stamp:
        """Lock the site's row and take the next instant and arrival number from it.

        The instant is the clock's, in milliseconds, or the one after the last given out where the clock stands still or
        jumped back: whoever reads by lastUpdated never meets a row that appears behind what was read already.
        """
        mine = {"site": self.site}
        rows = _CLOCK.rows(self._connection, mine)
        if not rows:
            fresh = insert_sqlite if self._connection.dialect.name == "sqlite" else insert_postgresql
            start = {**mine, "last_updated": 0, "last_arrival": 0, "last_token_set": 0}
            self._connection.execute(fresh(site_clocks).values(start).on_conflict_do_nothing())
            rows = _CLOCK.rows(self._connection, mine)
        last_updated, last_arrival, last_token_set = rows[0]
        now = microseconds(self.now) // _MILLISECOND * _MILLISECOND
        return Stamp(max(now, last_updated + _MILLISECOND), last_arrival, last_token_set)

    @property
    def last_updated(self) -> int:
        """The instant that every resource version of this write carries, in microseconds since 1970 UTC."""
        return self._clock.last_updated

    def add_course(self, course: CourseRow) -> None:
        """Insert a course. Its revision is the caller's, 1 for a new one."""
        _ADD_COURSE.run(self._connection, {"site": self.site, **course._asdict()})

    def revise_course(self, course_id: str, header: bytes, digest: bytes) -> None:
        """Put another header in place of the present one, which is kept as a revision."""
        of = {"of_site": self.site, "of_course": course_id}
        _KEEP_HEADER.run(self._connection, of)
        replaced = {"header": header, "digest": digest, "received_at": microseconds(self.now)}
        _SET_HEADER.run(self._connection, of | replaced)

    def set_course_state(self, course_id: str, *, state: str, due_at: int | None, overdue_shown: bool) -> None:
        """Write what was derived: open or closed, when the next reset is due, whether it is shown as overdue."""
        of = {"of_site": self.site, "of_course": course_id}
        _SET_STATE.run(self._connection, of | {"state": state, "due_at": due_at, "overdue_shown": overdue_shown})

    def add_entries(self, course_id: str, rows: Sequence[EntryRow], last: int | None = None) -> None:
        """Append entries in the order given; the store counts their arrival.

        `last`: arrival of the course's last entry, 0 for none, where it was read within this write already.
        """
        self._entries += len(rows)
        common = {"site": self.site, "course_id": course_id}
        if last is None:
            last = _LAST_ENTRY.rows(self._connection, common)[0][0] or 0
        _ADD_ENTRY.run_each(
            self._connection,
            ({**common, **row._asdict(), "arrival": arrival} for arrival, row in enumerate(rows, last + 1)),
        )

    def save_resources(self, drafts: Sequence[Draft], *, unchanged_bodies: bool = True) -> list[Saved]:
        """Store resources: unchanged content makes no version, changed content the next one, in the order given.

        Without `unchanged_bodies` those that make no version are not read, and their body is empty. DraftError for
        content of another form or for two drafts of the same resource.
        """
        saving = self.begin_saving((draft.type, draft.id) for draft in drafts)
        saved = saving.take(drafts)
        saving.write()
        self.note_written(drafts, saved)
        return saving.with_bodies(saved) if unchanged_bodies else saved

    def begin_saving(self, keys: Iterable[Key]) -> Saving:
        """For who has to know versions before all is written: resources (type, id) are looked up now."""
        return Saving(self._connection, self.site, self._clock, self._token_sets, keys)

    def note_written(self, drafts: Iterable[Draft], saved: Iterable[Saved]) -> None:
        """Tell the write's witness of the versions that were made."""
        for draft, each in zip(drafts, saved, strict=True):
            if each.changed:
                patient = each.id if each.type == "Patient" else draft.patient or draft.values.patient or ""
                self.written.append(Written(each.type, each.id, each.version, patient))

    def delete_resources(self, keys: Iterable[Key]) -> int:
        """Purge resources (type, id) as an operator may: reads answer "gone", searches find none, history stays."""
        return self.begin_saving(keys).delete()

    def flush_token_sets(self) -> None:
        """Insert the token sets of this write now, for searches within it."""
        self._token_sets.save(self._connection, self.site)

    def finish(self) -> None:
        """Write the site's clock, as the last statement before the commit."""
        if not self._clock.used:
            return
        self._token_sets.save(self._connection, self.site)
        _SET_CLOCK.run(
            self._connection,
            {
                "of_site": self.site,
                "last_updated": self._clock.last_updated,
                "last_arrival": self._clock.last_arrival,
                "last_token_set": self._token_sets.last_number,
            },
        )

    def committed(self) -> None:
        """Called when the transaction is on disk."""
        counting.count("entries_recorded", amount=self._entries)
        self._token_sets.committed()


def content_digest(content: bytes) -> bytes:
    """Digest by which the store tells whether a resource changed: SHA-256."""
    return sha256(content).digest()
