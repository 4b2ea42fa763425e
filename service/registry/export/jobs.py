"""Jobs as clients see them: begin one, ask how it goes, fetch its files, cancel it."""

import json
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

from service.registry.export.asked import Asked, ExportRefused
from service.registry.export.files import folder_of_job, remove_job
from service.registry.export.settings import ExportSettings
from service.search.dates import instant, microseconds
from service.store.export_reading import ExportDatabase
from service.store.export_rows import (
    CANCELLED,
    DONE,
    FAILED,
    WAITING,
    JobRow,
    add_job,
    agreements,
    cancel_job,
    find_job,
    has_group,
    note_poll,
)

NO_SITE = ""  # of the jobs of a registry, which span sites
_SECOND = 1_000_000


class Asker(NamedTuple):
    """Who asks; `site` is None for a registry."""

    client_id: str
    site: str | None

    @property
    def home(self) -> str:
        """The site under which the client's jobs are kept."""
        return NO_SITE if self.site is None else self.site


class UnknownJob(LookupError):
    """No job of this client has such an id, or its files are gone."""


class TooOften(Exception):
    """The client asks too often, or has as many exports going as it may."""


class Failed(Exception):
    """The job ended without files; the message says why."""


class Going(NamedTuple):
    """A job that has not ended."""

    progress: str


class Finished(NamedTuple):
    """A job that has files."""

    transaction_at: str
    request: str
    output: Sequence[dict[str, Any]]
    error: Sequence[dict[str, Any]]
    deleted: Sequence[dict[str, Any]]
    expires_at: datetime


@dataclass(frozen=True, slots=True)
class Exports:
    """The verbs on one database."""

    database: ExportDatabase
    settings: ExportSettings

    def begin(self, asker: Asker, asked: Asked, now: datetime) -> str:
        """Keep a job for the worker; returns its id. Raises ExportRefused or TooOften."""
        job_id = secrets.token_hex(16)
        at = microseconds(now)
        row = JobRow(
            asker.home, job_id, asker.client_id, WAITING, asked.written(), at, 0, 0, "waiting", 0, None, ""
        )  # fmt: skip
        with self.database.write() as connection:
            self._require_source(connection, asker, asked)
            if not add_job(connection, row, self.settings.going_per_client):
                raise TooOften("an export of this client is under way: wait for it, or cancel it")
        return job_id

    def state(self, asker: Asker, job_id: str, now: datetime) -> Going | Finished:
        """How it goes. Raises UnknownJob, TooOften or Failed."""
        with self.database.write() as connection:
            job = self._job(find_job(connection, asker.home, job_id), asker)
            if job.state not in (DONE, FAILED):
                at = microseconds(now)
                soon = at - job.polled_at < self.settings.soonest_s * _SECOND
                note_poll(connection, job, at)
        if job.state == DONE:
            return self._finished(job, now)
        if job.state == FAILED:
            raise Failed(job.outcome)
        if soon:
            raise TooOften("asked again too soon")
        return Going(job.progress)

    def cancel(self, asker: Asker, job_id: str, now: datetime) -> None:
        """End a job and take its files away. Raises UnknownJob."""
        with self.database.write() as connection:
            job = self._job(find_job(connection, asker.home, job_id), asker)
            cancel_job(connection, job, microseconds(now))
        remove_job(self.settings.folder, job_id)

    def file(self, asker: Asker, job_id: str, name: str, now: datetime) -> Path:
        """The path of one of its files. Raises UnknownJob."""
        with self.database.read() as connection:
            job = self._job(find_job(connection, asker.home, job_id), asker)
        if job.state != DONE:
            raise UnknownJob
        found = self._finished(job, now)
        path = folder_of_job(self.settings.folder, job_id) / name
        if name not in {each["file"] for each in (*found.output, *found.error, *found.deleted)} or not path.is_file():
            raise UnknownJob
        return path

    def _require_source(self, connection: Any, asker: Asker, asked: Asked) -> None:
        """A group that there is, and for a registry a site that agreed."""
        if asker.site is not None:
            if asked.group_id is not None and not has_group(connection, asker.site, asked.group_id):
                raise ExportRefused("there is no such group", 404)
            return
        agreed = agreements(connection, asker.client_id)
        if not agreed:
            raise ExportRefused("no site has agreed to give this registry data", 403)
        if asked.group_id is not None and asked.group_id not in {each.group_id for each in agreed}:
            raise ExportRefused("there is no such group", 404)

    def _job(self, job: JobRow | None, asker: Asker) -> JobRow:
        if job is None or job.client_id != asker.client_id or job.state == CANCELLED:
            raise UnknownJob
        return job

    def _finished(self, job: JobRow, now: datetime) -> Finished:
        told = json.loads(job.outcome)
        expires_at = self._expires_at(job)
        if now >= expires_at:
            raise UnknownJob
        return Finished(
            instant(told["transaction_at"]), Asked.read(job.asked).url, told["output"], told["error"], told["deleted"],
            expires_at,
        )  # fmt: skip

    def _expires_at(self, job: JobRow) -> datetime:
        ended = datetime.fromisoformat(instant(job.ended_at or job.created_at))
        return ended + timedelta(hours=self.settings.keep_h)
