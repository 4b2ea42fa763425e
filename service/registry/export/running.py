"""The worker: takes a job, writes its files out of one snapshot, and says how it ended.

A job is leased. A worker that stops without a word loses it, and another begins it anew; one that comes back late finds
out with its next renewal and takes its files away.
"""

import json
import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import datetime, timedelta
from typing import Any

from service.deidentify import Undecided
from service.fhir import wire
from service.registry.export.asked import Asked
from service.registry.export.files import Output, Written, remove_job
from service.registry.export.settings import ExportSettings
from service.registry.export.sources import NothingAgreed, Source, Sources, noticed
from service.search.dates import microseconds
from service.store.export_reading import ExportDatabase, ExportReading
from service.store.export_rows import DONE, FAILED, JobRow, claim_job, end_job, ended_before, renew_job

RENEW_EVERY = timedelta(seconds=2)
log = logging.getLogger(__name__)
Clock = Callable[[], datetime]


class _Lost(Exception):
    """The job was cancelled, or another worker has it."""


class ExportWorker:
    """Runs jobs one after the other."""

    def __init__(self, database: ExportDatabase, sources: Sources, settings: ExportSettings, clock: Clock) -> None:
        self._database = database
        self._sources = sources
        self._settings = settings
        self._clock = clock

    def run_once(self) -> bool:
        """Run one job, if there is one; returns whether there was. Files whose time is over go first."""
        self._sweep()
        now = self._clock()
        with self._database.write() as connection:
            job = claim_job(connection, microseconds(now), microseconds(now + self._lease))
        if job is None:
            return False
        if job.attempt > self._settings.attempts:
            self._end(job, FAILED, f"it was begun {self._settings.attempts} times and never came to its end")
            return True
        self._attempt(job)
        return True

    def run(self, ended: threading.Event, every_s: float = 1.0) -> None:
        """Run jobs until `ended` is set; the database may be away for a while."""
        while not ended.is_set():
            try:
                found = self.run_once()
            except Exception as fault:  # the job is tried again when its lease is over
                log.error("exports: %s", type(fault).__name__)
                found = False
            if not found:
                ended.wait(every_s)

    @property
    def _lease(self) -> timedelta:
        return timedelta(seconds=self._settings.lease_s)

    def _attempt(self, job: JobRow) -> None:
        output = Output(self._settings.folder, job.job_id, job.attempt, self._settings.largest_file)
        try:
            outcome = _Run(self._database, self._sources, job, output, self._clock, self._lease).files()
            ended = self._end(job, DONE, json.dumps(outcome))
        except _Lost:
            ended = False
        except (Undecided, NothingAgreed) as fault:
            self._fail(job, output, str(fault))
            return
        except BaseException:  # an interrupt too: what is half written is of no use
            output.discard()
            raise
        if not ended:
            output.discard()

    def _fail(self, job: JobRow, output: Output, why: str) -> None:
        output.discard()
        self._end(job, FAILED, why)

    def _end(self, job: JobRow, state: str, outcome: str) -> bool:
        with self._database.write() as connection:
            return end_job(connection, job, state, outcome, microseconds(self._clock()))

    def _sweep(self) -> None:
        old = self._clock() - timedelta(hours=self._settings.keep_h)
        with self._database.read() as connection:
            over = ended_before(connection, microseconds(old))
        for job in over:
            remove_job(self._settings.folder, job.job_id)


class _Run:
    """One attempt at one job."""

    def __init__(
        self,
        database: ExportDatabase,
        sources: Sources,
        job: JobRow,
        output: Output,
        clock: Clock,
        lease: timedelta,
    ) -> None:
        self._database = database
        self._sources = sources
        self._job = job
        self._asked = Asked.read(job.asked)
        self._output = output
        self._clock = clock
        self._lease = lease
        self._renewed_at = clock()
        self._lines = 0

    def files(self) -> dict[str, Any]:
        """Write everything; returns what the manifest needs."""
        sources = self._sources.of(self._job, self._asked)
        with self._database.snapshot([each.site for each in sources], microseconds(self._clock())) as reading:
            self._sources.count_cells(sources, reading)
            for source in sources:
                for type_ in self._asked.types:
                    self._renew(f"{type_}, {self._lines} lines so far")
                    self._write_type(source, type_, reading)
            self._write_deleted(sources, reading)
            transaction_at = reading.transaction_at
        self._output.write("error", list(self._said(sources)))
        written = self._output.finish()
        return {
            "transaction_at": transaction_at,
            "output": [_told(each) for each in written if each.type not in ("error", "deleted")],
            "error": [_told(each, "OperationOutcome") for each in written if each.type == "error"],
            "deleted": [_told(each, "Bundle") for each in written if each.type == "deleted"],
        }

    def _write_type(self, source: Source, type_: str, reading: ExportReading) -> None:
        for chunk in source.chunks(type_, reading):
            for label, lines in chunk:
                self._output.write(label, lines)
                self._lines += len(lines)
            self._renew(f"{type_}, {self._lines} lines so far")

    def _write_deleted(self, sources: list[Source], reading: ExportReading) -> None:
        """Purged resources as transaction Bundles (Bulk Data Access 2.0, `deleted`); of a group nobody knows whose."""
        if self._asked.since is None or self._asked.group_id is not None:
            return
        for source in sources:
            gone = reading.deleted(source.site, self._asked.types, self._asked.since)
            self._output.write("deleted", [wire.write(bundle) for bundle in source.deletions(gone)])

    def _said(self, sources: list[Source]) -> Iterator[bytes]:
        """What was passed over or left out, one OperationOutcome each."""
        yield from (noticed("warning", "not-supported", notice) for notice in self._asked.notices)
        for source in sources:
            yield from source.left_out()

    def _renew(self, progress: str) -> None:
        now = self._clock()
        if now - self._renewed_at < RENEW_EVERY:
            return
        self._renewed_at = now
        with self._database.write() as connection:
            if not renew_job(connection, self._job, microseconds(now + self._lease), progress[:99]):
                raise _Lost


def _told(written: Written, type_: str | None = None) -> dict[str, Any]:
    return {"type": type_ or written.type, "file": written.file, "count": written.lines}


def start_worker(worker: ExportWorker) -> Callable[[], None]:
    """Run a worker in a thread of its own; returns what ends it and waits for it."""
    ended = threading.Event()
    thread = threading.Thread(target=worker.run, args=(ended,), name="exports", daemon=True)
    thread.start()

    def stop() -> None:
        ended.set()
        with suppress(RuntimeError):
            thread.join(timeout=10)

    return stop
