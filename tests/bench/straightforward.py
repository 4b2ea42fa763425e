"""The same job as one writes it on the first day, with libraries alone: what the service is compared with.

FHIR models of fhir.resources built for each resource, put into a Bundle model and dumped; the bytes parsed once more to
be sure; every entry of the course read from the database and folded again; rows stored one by one through an ORM, the
version before copied to a history. The figures come from the service's own functions: they would cost the same.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import orjson
from fhir.resources.R4B import get_fhir_model_class
from fhir.resources.R4B.bundle import Bundle, BundleEntry, BundleEntryRequest
from sqlalchemy import LargeBinary, String, create_engine, event, select
from sqlalchemy.orm import DeclarativeBase, Mapped, Session, mapped_column

from service import strict_json
from service.clinic.entries import Course
from service.clinic.standing import Charted
from service.intake.review import entry_of
from service.projection import Site, fold_charted

Tree = dict[str, Any]


def mapped(resources: Sequence[Tree], base: str) -> bytes:
    """Models of the resources, a Bundle model of them, its JSON."""
    entries = []
    for resource in resources:
        model = get_fhir_model_class(resource["resourceType"]).model_validate(resource)
        url = f"{resource['resourceType']}/{resource['id']}"
        request = BundleEntryRequest(method="PUT", url=url)
        entries.append(BundleEntry(fullUrl=f"{base}/{url}", resource=model, request=request))
    return bytes(Bundle(type="transaction", entry=entries).model_dump_json().encode())


def parsed(bundle: bytes) -> Bundle:
    """A Bundle model read back: the validation that the library offers."""
    return Bundle.model_validate_json(bundle)


class Base(DeclarativeBase):
    pass


class EntryRow(Base):
    __tablename__ = "entries"
    course_id: Mapped[str] = mapped_column(String(64), primary_key=True)
    entry_id: Mapped[str] = mapped_column(String(64), primary_key=True)
    body: Mapped[bytes] = mapped_column(LargeBinary)


class ResourceRow(Base):
    __tablename__ = "resources"
    type: Mapped[str] = mapped_column(String(40), primary_key=True)
    id: Mapped[str] = mapped_column(String(64), primary_key=True)
    version: Mapped[int]
    patient: Mapped[str] = mapped_column(String(64), index=True)
    code: Mapped[str] = mapped_column(String(100), index=True)
    date: Mapped[str] = mapped_column(String(40), index=True)
    body: Mapped[bytes] = mapped_column(LargeBinary)


class HistoryRow(Base):
    __tablename__ = "history"
    type: Mapped[str] = mapped_column(String(40), primary_key=True)
    id: Mapped[str] = mapped_column(String(64), primary_key=True)
    version: Mapped[int] = mapped_column(primary_key=True)
    body: Mapped[bytes] = mapped_column(LargeBinary)


class Pipeline:
    """Check to commit, on an SQLite file of its own that waits for the disk as the service's does."""

    def __init__(self, database_url: str, site: Site, course: Course) -> None:
        self._engine = create_engine(database_url)
        self._site, self._course = site, course

        @event.listens_for(self._engine, "connect")
        def durable(connection: Any, _record: Any) -> None:
            connection.execute("PRAGMA journal_mode=WAL")
            connection.execute("PRAGMA synchronous=FULL")

        Base.metadata.create_all(self._engine)

    def record(self, entry: Tree, resources: Sequence[Tree], base: str, now: datetime) -> bytes:
        """Store a charted entry and what it gives; returns the Bundle."""
        with Session(self._engine) as session:
            row = EntryRow(course_id=self._course.course_id, entry_id=entry["entry_id"], body=strict_json.write(entry))
            session.add(row)
            session.flush()
            mine = select(EntryRow).where(EntryRow.course_id == self._course.course_id)
            charted = [Charted(entry_of(each.body), place) for place, each in enumerate(session.scalars(mine), 1)]
            fold_charted(self._site, self._course, charted).fold.summary(now)
            bundle = mapped(resources, base)
            for each in parsed(bundle).entry or ():
                assert each.resource is not None
                self._store(session, orjson.loads(each.resource.model_dump_json()))
            session.commit()
        return bundle

    def _store(self, session: Session, body: Tree) -> None:
        known = session.get(ResourceRow, (body["resourceType"], body["id"]))
        content = orjson.dumps(body)
        if known is None:
            date, code = body.get("effectiveDateTime", ""), body.get("code", {}).get("text", "")
            about = body.get("subject", {}).get("reference", "")
            row = ResourceRow(
                type=body["resourceType"], id=body["id"], version=1, patient=about, code=code, date=date, body=content
            )
            session.add(row)
        elif known.body != content:
            session.add(HistoryRow(type=known.type, id=known.id, version=known.version, body=known.body))
            known.version += 1
            known.body = content
        session.flush()

    def close(self) -> None:
        self._engine.dispose()
