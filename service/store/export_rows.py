"""Rows of groups, agreements and jobs. Each function is part of the caller's transaction."""

from collections.abc import Iterable
from typing import NamedTuple

from sqlalchemy import ColumnElement, Connection, and_, delete, func, insert, or_, select, text, update
from sqlalchemy.dialects.postgresql import insert as insert_postgresql
from sqlalchemy.dialects.sqlite import insert as insert_sqlite

from service.store.export_tables import export_group_members, export_groups, export_jobs, registry_agreements
from service.store.tables import courses, resources

WAITING, RUNNING, DONE, FAILED, CANCELLED = "waiting", "running", "done", "failed", "cancelled"
_g, _m, _a, _j = export_groups.c, export_group_members.c, registry_agreements.c, export_jobs.c


class GroupRow(NamedTuple):
    """A group with the number of its members."""

    group_id: str
    name: str
    created_at: int
    members: int


class AgreementRow(NamedTuple):
    """What one site agreed with one registry."""

    site: str
    client_id: str
    mode: str
    key_file: str | None
    group_id: str | None
    agreed_at: int


class JobRow(NamedTuple):
    """A job as it stands."""

    site: str
    job_id: str
    client_id: str
    state: str
    asked: str
    created_at: int
    attempt: int
    leased_until: int
    progress: str
    polled_at: int
    ended_at: int | None
    outcome: str


# Groups


def add_group(connection: Connection, site: str, group_id: str, name: str, at: int) -> None:
    """Make a group without members; IntegrityError where there is one."""
    row = {"site": site, "group_id": group_id, "name": name, "created_at": at}
    connection.execute(insert(export_groups).values(row))


def list_groups(connection: Connection, site: str) -> list[GroupRow]:
    """The groups of a site by their id."""
    counted = func.count(_m.patient)
    rows = connection.execute(
        select(_g.group_id, _g.name, _g.created_at, counted)
        .join_from(export_groups, export_group_members, isouter=True)
        .where(_g.site == site)
        .group_by(_g.group_id, _g.name, _g.created_at)
        .order_by(_g.group_id)
    )
    return [GroupRow(*row) for row in rows]


def has_group(connection: Connection, site: str, group_id: str) -> bool:
    """Whether the site has this group."""
    wanted = select(_g.group_id).where(_g.site == site, _g.group_id == group_id)
    return connection.execute(wanted).first() is not None


def add_members(connection: Connection, site: str, group_id: str, patients: Iterable[str], at: int) -> int:
    """Add Patients by their ids; who is a member already stays one since then. Returns how many are new."""
    fresh = insert_sqlite if connection.dialect.name == "sqlite" else insert_postgresql
    added = 0
    for patient in patients:
        row = {"site": site, "group_id": group_id, "patient": patient, "added_at": at}
        added += connection.execute(fresh(export_group_members).values(row).on_conflict_do_nothing()).rowcount
    return added


def remove_members(connection: Connection, site: str, group_id: str, patients: Iterable[str]) -> int:
    """Take Patients out; returns how many were members."""
    mine = (_m.site == site, _m.group_id == group_id, _m.patient.in_(list(patients)))
    return connection.execute(delete(export_group_members).where(*mine)).rowcount


def members_of(connection: Connection, site: str, group_id: str) -> list[str]:
    """The ids of the Patients of a group."""
    wanted = select(_m.patient).where(_m.site == site, _m.group_id == group_id).order_by(_m.patient)
    return list(connection.scalars(wanted))


def patients_of_courses(connection: Connection, site: str, course_ids: Iterable[str]) -> dict[str, str]:
    """course_id -> id of its Patient, of the courses that there are."""
    c = courses.c
    wanted = select(c.course_id, c.patient_id).where(c.site == site, c.course_id.in_(list(course_ids)))
    return {row[0]: row[1] for row in connection.execute(wanted)}


def known_patients(connection: Connection, site: str, ids: Iterable[str]) -> set[str]:
    """Those of the ids that are of a stored Patient."""
    r = resources.c
    wanted = select(r.id).where(r.site == site, r.type == "Patient", r.id.in_(list(ids)))
    return set(connection.scalars(wanted))


# Agreements


def agree(connection: Connection, row: AgreementRow) -> None:
    """Put an agreement in the place of an earlier one of the same site and client."""
    end_agreement(connection, row.site, row.client_id)
    connection.execute(insert(registry_agreements).values(row._asdict()))


def end_agreement(connection: Connection, site: str, client_id: str) -> bool:
    """From now on the registry gets nothing of the site; False where there was no agreement."""
    mine = (_a.site == site, _a.client_id == client_id)
    return connection.execute(delete(registry_agreements).where(*mine)).rowcount == 1


def agreements(connection: Connection, client_id: str | None = None) -> list[AgreementRow]:
    """Those of one client, or all, by site."""
    wanted = select(*(_a[name] for name in AgreementRow._fields)).order_by(_a.site, _a.client_id)
    if client_id is not None:
        wanted = wanted.where(_a.client_id == client_id)
    return [AgreementRow(*row) for row in connection.execute(wanted)]


# Jobs

_JOB = select(*(_j[name] for name in JobRow._fields))


def add_job(connection: Connection, row: JobRow, most: int) -> bool:
    """Insert a job unless the client has `most` that have not ended; False then."""
    if connection.dialect.name == "postgresql":  # on SQLite writers come one after the other anyway
        connection.execute(text("SELECT pg_advisory_xact_lock(hashtext(:client))"), {"client": row.client_id})
    going = select(func.count()).where(_j.client_id == row.client_id, _j.state.in_((WAITING, RUNNING)))
    if connection.execute(going).scalar_one() >= most:
        return False
    connection.execute(insert(export_jobs).values(row._asdict()))
    return True


def find_job(connection: Connection, site: str, job_id: str) -> JobRow | None:
    """A job by its key."""
    row = connection.execute(_JOB.where(_j.site == site, _j.job_id == job_id)).one_or_none()
    return JobRow(*row) if row else None


def note_poll(connection: Connection, job: JobRow, at: int) -> None:
    """Remember when its state was last asked for."""
    connection.execute(update(export_jobs).where(*_key(job)).values(polled_at=at))


def claim_job(connection: Connection, now: int, until: int) -> JobRow | None:
    """Take the oldest job that waits or whose worker was lost, with a lease; None where there is none."""
    free = or_(_j.state == WAITING, and_(_j.state == RUNNING, _j.leased_until < now))
    oldest = _JOB.where(free).order_by(_j.created_at, _j.job_id).limit(1).with_for_update(skip_locked=True)
    row = connection.execute(oldest).one_or_none()
    if row is None:
        return None
    job = JobRow(*row)._replace(state=RUNNING, attempt=row.attempt + 1, leased_until=until, progress="begun")
    changed = {name: getattr(job, name) for name in ("state", "attempt", "leased_until", "progress")}
    connection.execute(update(export_jobs).where(*_key(job)).values(changed))
    return job


def renew_job(connection: Connection, job: JobRow, until: int, progress: str) -> bool:
    """Keep the lease; False where the job was cancelled or another worker has it."""
    changed = update(export_jobs).where(*_mine(job)).values(leased_until=until, progress=progress)
    return connection.execute(changed).rowcount == 1


def end_job(connection: Connection, job: JobRow, state: str, outcome: str, at: int) -> bool:
    """Write the end of a job; False as for `renew_job`."""
    changed = update(export_jobs).where(*_mine(job)).values(state=state, outcome=outcome, ended_at=at)
    return connection.execute(changed).rowcount == 1


def cancel_job(connection: Connection, job: JobRow, at: int) -> None:
    """Whoever runs it finds out with the next renewal."""
    connection.execute(update(export_jobs).where(*_key(job)).values(state=CANCELLED, ended_at=at, outcome=""))


def ended_before(connection: Connection, at: int) -> list[JobRow]:
    """Jobs that are done and whose files have had their time."""
    return [JobRow(*row) for row in connection.execute(_JOB.where(_j.state == DONE, _j.ended_at < at))]


def _key(job: JobRow) -> tuple[ColumnElement[bool], ...]:
    return (_j.site == job.site, _j.job_id == job.job_id)


def _mine(job: JobRow) -> tuple[ColumnElement[bool], ...]:
    return (*_key(job), _j.state == RUNNING, _j.attempt == job.attempt)
