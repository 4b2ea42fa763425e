"""Where the lines of a job come from: the client's own site as it is, or the sites that agreed, de-identified."""

import logging
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import orjson

from service.config import Settings
from service.deidentify import Cells, Deidentifier, LeftOut
from service.deidentify.opening import Opened
from service.deidentify.pseudonyms import KeyFault, Pseudonyms, key_of_this_run, read_key
from service.fhir import wire
from service.fhir.profiles import profile_rules
from service.fhir.subset import WHOLE, subset_of
from service.registry.export.asked import Asked
from service.registry.export.jobs import NO_SITE
from service.search.criteria import Setting, Subset
from service.store.export_reading import ExportDatabase, ExportReading, ExportRow, Wanted
from service.store.export_rows import AgreementRow, JobRow, agreements
from service.terminology import load

log = logging.getLogger(__name__)
Lines = tuple[str, list[bytes]]
_AT_ONCE = 1000  # deletions of one Bundle
RESULT = "Provenance"


class NothingAgreed(ValueError):
    """There is nothing that this registry may have."""


def noticed(severity: str, code: str, diagnostics: str) -> bytes:
    """An OperationOutcome of one line."""
    issue = {"severity": severity, "code": code, "diagnostics": diagnostics}
    return orjson.dumps({"resourceType": "OperationOutcome", "issue": [issue]})


class Source:
    """What one site gives, as it is stored."""

    def __init__(self, site: str, asked: Asked, setting: Setting, group_id: str | None) -> None:
        self.site = site
        self._asked = asked
        self._setting = setting
        self._group_id = group_id

    def wanted(self, type_: str) -> Wanted:
        """Which rows of a type."""
        of_patients_only = self._asked.level != "system"
        filters = self._asked.queries(type_, self._setting)
        return Wanted(type_, self._asked.since, self._group_id, of_patients_only, filters)

    def chunks(self, type_: str, reading: ExportReading) -> Iterator[Iterable[Lines]]:
        """The lines of a type, some hundred at a time, by the file they go into."""
        subset = self._subset(type_)
        for bodies in reading.bodies(self.site, self.wanted(type_)):
            yield [(type_, bodies if subset == WHOLE else [subset_of(body, subset) for body in bodies])]

    def left_out(self) -> Iterator[bytes]:
        """What did not come out, one OperationOutcome for each reason."""
        return iter(())

    def deletions(self, gone: Iterable[tuple[str, str]]) -> Iterator[dict[str, Any]]:
        """Transaction Bundles that delete what is gone."""
        entries = [{"request": {"method": "DELETE", "url": f"{type_}/{self._name(type_, id_)}"}} for type_, id_ in gone]
        for start in range(0, len(entries), _AT_ONCE):
            yield {"resourceType": "Bundle", "type": "transaction", "entry": entries[start : start + _AT_ONCE]}

    def _name(self, type_: str, id_: str) -> str:
        return id_

    def _subset(self, type_: str) -> Subset:
        names = self._asked.elements_of(type_)
        return Subset(elements=names) if names else WHOLE


class DeidentifiedSource(Source):
    """What one site gives a registry."""

    def __init__(
        self, site: str, asked: Asked, setting: Setting, group_id: str | None, opened: Opened, names: Pseudonyms
    ) -> None:
        super().__init__(site, asked, setting, group_id)
        self._opened = opened
        self._names = names
        self._made_by: Deidentifier = opened.deidentifier(names)
        self._left: Counter[str] = Counter()

    @property
    def needs_cells(self) -> bool:
        """Whether its mode guards small cells."""
        return self._opened.needs_cells

    def cells(self, reading: ExportReading) -> Iterator[tuple[str, str]]:
        """The cells of the whole population, whatever `_since` says."""
        everybody = Wanted("Patient", None, self._group_id)
        for rows in reading.chunks(self.site, everybody):
            yield from self._made_by.cells(wire.read(row.body) for row in rows)

    def guard(self, cells: Cells) -> None:
        """From now on small cells are shown with less."""
        self._made_by = self._opened.deidentifier(self._names, cells)

    def chunks(self, type_: str, reading: ExportReading) -> Iterator[Iterable[Lines]]:
        """The lines of a type, and of Patients also what was done to their data."""
        for rows in reading.chunks(self.site, self.wanted(type_)):
            yield self._lines(type_, rows)

    def _lines(self, type_: str, rows: Sequence[ExportRow]) -> Iterable[Lines]:
        """Sorted, so that their order does not tell who came after whom."""
        subset = self._subset(type_)
        made = [(row.id, resource) for row in rows if (resource := self._made(row)) is not None]
        bodies = sorted(wire.write(resource) for _, resource in made)  # the id stands first in them
        found = [(type_, bodies if subset == WHOLE else [subset_of(body, subset) for body in bodies])]
        if type_ == "Patient" and RESULT in self._asked.types:
            found.append((RESULT, sorted(wire.write(self._made_by.provenance(id_)) for id_, _ in made)))
        return found

    def left_out(self) -> Iterator[bytes]:
        """One OperationOutcome for each reason, with how many resources it held back."""
        for reason, count in sorted(self._left.items()):
            yield noticed("information", "suppressed", f"{count} left out. {reason}")

    def _made(self, row: ExportRow) -> dict[str, Any] | None:
        try:
            return self._made_by.resource(wire.read(row.body), row.patient or None)
        except LeftOut as reason:
            self._left[str(reason)] += 1
            return None

    def _name(self, type_: str, id_: str) -> str:
        return self._names.id(type_, id_)


class Sources:
    """Finds the sources of a job when it is run, so that an agreement that ended meanwhile gives nothing."""

    def __init__(self, database: ExportDatabase, settings: Settings, clock: Callable[[], datetime]) -> None:
        self._database = database
        self._settings = settings
        self._clock = clock

    def of(self, job: JobRow, asked: Asked) -> list[Source]:
        """One source for each site. Raises NothingAgreed where there is none, or none that can be used."""
        setting = Setting(self._settings.fhir_base, ZoneInfo(self._settings.zone), self._clock())
        if job.site != NO_SITE:
            return [Source(job.site, asked, setting, asked.group_id)]
        with self._database.read() as connection:
            agreed = agreements(connection, job.client_id)
        wanted = [each for each in agreed if asked.group_id in (None, each.group_id)]
        if not wanted:
            raise NothingAgreed("no site agrees any more to give this registry data")
        return [self._deidentified(each, asked, setting) for each in wanted]

    def count_cells(self, sources: Sequence[Source], reading: ExportReading) -> None:
        """Guard the small cells of the release as a whole: what all sites give together."""
        guarded = [each for each in sources if isinstance(each, DeidentifiedSource) and each.needs_cells]
        cells = Cells(cell for each in guarded for cell in each.cells(reading))
        for each in guarded:
            each.guard(cells)

    def _deidentified(self, agreed: AgreementRow, asked: Asked, setting: Setting) -> Source:
        terms = load(self._settings.mappings)
        rules = profile_rules(terms)
        opened = Opened(agreed.mode, terms, rules, self._settings.mappings, setting.now)
        try:
            key = read_key(Path(agreed.key_file)) if agreed.key_file else key_of_this_run()
        except KeyFault as fault:
            log.error("exports: %s", fault)
            raise NothingAgreed("the key of a site that agreed cannot be used; the site must mend that") from fault
        names = Pseudonyms(key, agreed.client_id, agreed.site)
        return DeidentifiedSource(agreed.site, asked, setting, agreed.group_id, opened, names)
