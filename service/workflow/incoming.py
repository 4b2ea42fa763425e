"""Writes of a hospital through FHIR: what each of them means for what is stored, all of them in one commit.

Create, update and their conditional forms (http://hl7.org/fhir/R4/http.html#create, #update, #ccreate, #cond-update).
A write alone is a transaction of one. What is looked up is looked up under the site's lock, against the state before
the write; what came of it is looked at again before the commit: a condition is answered by exactly one resource, an
identifier of a Patient names one Patient, what is referred to is there and of the same patient.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Any, NamedTuple

from service import strict_json
from service.fhir import wire
from service.fhir.links import Link, by_full_url, relinked
from service.fhir.origin import is_received, received_meta
from service.fhir.r4.issue import Issue
from service.fhir.writable import WRITABLE
from service.projection import Site
from service.search.criteria import Setting
from service.search.query import Query
from service.search.values import IndexValues, index
from service.store import Draft, Saved
from service.store.receiving import Held, held, reading_within
from service.store.writing import WriteUnit
from service.workflow import identities
from service.workflow.conditions import condition_of, matches
from service.workflow.pointing import Answered, check_answers, check_targets, pointed, refuse_unanswered
from service.workflow.rejecting import rejected

Tree = dict[str, Any]
Key = tuple[str, str]
READ_ONLY = (
    "this resource is derived from the readings and changes with them alone: "
    "send readings, amendments and retractions to the intake interface"
)


def without_server_elements(resource: Tree) -> Tree:
    """What a create takes of a resource: id, version and time of the sender are not looked at (http.html#create)."""
    kept = {key: value for key, value in resource.items() if key != "id"}
    meta = resource.get("meta")
    if isinstance(meta, dict):
        kept["meta"] = {key: value for key, value in meta.items() if key not in ("versionId", "lastUpdated")}
        if not kept["meta"]:
            del kept["meta"]
    return kept


@dataclass(slots=True)
class Asked:
    """One write as it was asked for. `place` is the FHIRPath of the resource in what was sent."""

    method: str  # POST or PUT
    resource: Tree
    place: str
    id: str | None = None  # of the URL of a PUT
    condition: str | None = None  # ifNoneExist of a POST, the query of a conditional PUT
    if_match: Sequence[str] = ()  # versions, or * for any
    only_new: bool = False  # If-None-Match: *
    full_url: str | None = None
    issues: Sequence[Issue] = ()  # warnings that go with the answer

    @property
    def type(self) -> str:
        """Resource type."""
        found: str = self.resource["resourceType"]
        return found


class Written(NamedTuple):
    """What became of a write: 201 where the resource is new, 200 where it was there."""

    status: int
    type: str
    id: str
    version: int
    last_updated: int
    body: bytes
    issues: Sequence[Issue] = ()


@dataclass(slots=True)
class Settled:
    """A write whose resource is known: `before` what is stored, `writes` whether anything is to be saved."""

    asked: Asked
    id: str
    before: Held | None
    writes: bool
    condition: Query | None = None
    patient: str | None = None  # where the resource itself does not say whose it is
    resource: Tree = field(default_factory=dict)
    values: IndexValues = field(default_factory=IndexValues)

    @property
    def key(self) -> Key:
        """Type and id."""
        return self.asked.type, self.id


class Charting(NamedTuple):
    """How answers of a questionnaire become readings: the id of the resource, and what is done once it is saved."""

    settle: Callable[[WriteUnit, Asked], Settled]
    chart: Callable[[WriteUnit, Sequence[Settled]], None]


@dataclass(frozen=True, slots=True)
class Incoming:
    """What writes of one site need beside the resources."""

    site: Site
    zone: tzinfo
    base: str  # public base of the FHIR API
    new_id: Callable[[], str]
    charting: Charting

    def write(self, unit: WriteUnit, asked: Sequence[Asked]) -> list[Written]:
        """Save every write, in an order of its own, or raise `Rejected`; the answers come in the order asked."""
        return _Writing(self, unit).run(asked)


class _Writing:
    """One call of `Incoming.write`."""

    def __init__(self, incoming: Incoming, unit: WriteUnit) -> None:
        self.incoming = incoming
        self.unit = unit
        self.setting = Setting(incoming.base, incoming.zone, unit.now)
        self.tables = incoming.site.frame.terms.base
        self.answered: list[Answered] = []

    def run(self, asked: Sequence[Asked]) -> list[Written]:
        reading = reading_within(self.unit)
        settled = []
        for one in asked:
            condition = None
            if one.condition is not None:
                condition = condition_of(one.type, one.condition, self.setting, one.place)
            settled.append(self._settle(one, condition, matches(reading, condition) if condition else ()))
        _join(settled)
        _each_once(settled)
        places = {each.asked.full_url: "/".join(each.key) for each in settled if each.asked.full_url is not None}
        for each in settled:
            each.resource = relinked(self._stamped(each.asked.resource, each), by_full_url(places, each.asked.full_url))
        saved = self._save([each for each in settled if each.writes])
        self.incoming.charting.chart(self.unit, [each for each in settled if _becomes_readings(each)])
        self._look_again(settled)
        return [self._written(each, saved.get(each.key)) for each in settled]

    # Which resource a write is about

    def _settle(self, asked: Asked, condition: Query | None, found: Sequence[Key]) -> Settled:
        if len(found) > 1:
            raise rejected(412, "several resources answer the condition", asked.place, "multiple-matches")
        if asked.method == "PUT":
            return self._updated(asked, condition, found)
        if found:
            before = held(self.unit, found)[found[0]]
            return Settled(asked, before.id, before, writes=False, condition=condition)
        if WRITABLE[asked.type].becomes_readings:
            settled = self.incoming.charting.settle(self.unit, asked)
            settled.condition = condition
            return settled
        return self._created(asked, condition)

    def _created(self, asked: Asked, condition: Query | None) -> Settled:
        """A new resource, or the hospital's own form of one that was charted at the bedside first."""
        before = identities.one_named_by(self.unit, asked.type, self._values(asked.resource), asked.place)
        if before is None:
            return Settled(asked, self.incoming.new_id(), None, writes=True, condition=condition)
        settled = Settled(asked, before.id, before, writes=True, condition=condition)
        stored = wire.read(before.body)
        if is_received(stored, self.tables):
            if _content(self._stamped(asked.resource, settled)) != _content(stored):
                told = f"{asked.type}/{before.id} has an identifier of this resource: update that one"
                raise rejected(409, told, f"{asked.place}.identifier", "duplicate")
            settled.writes = False
        return settled

    def _updated(self, asked: Asked, condition: Query | None, found: Sequence[Key]) -> Settled:
        sent = asked.resource.get("id")
        id_ = asked.id or ""
        if condition is not None:
            if found and sent not in (None, found[0][1]):
                raise rejected(400, "the resource that answers the condition has another id", f"{asked.place}.id")
            id_ = found[0][1] if found else sent or self.incoming.new_id()
        before = held(self.unit, [(asked.type, id_)]).get((asked.type, id_))
        _allow(asked, before)
        if condition is not None and not found and before is not None:
            raise rejected(409, "a resource of this id is there and does not answer the condition", f"{asked.place}.id")
        return Settled(asked, id_, before, writes=True, condition=condition)

    # What is stored

    def _stamped(self, sent: Tree, one: Settled) -> Tree:
        """The resource in the order in which it is stored: type, id, meta, and the rest as it came."""
        site = self.incoming.site
        meta = received_meta(sent.get("meta", {}), self.tables, site.key, site.frame.source)
        rest = {key: value for key, value in sent.items() if key not in ("resourceType", "id", "meta")}
        return {"resourceType": one.asked.type, "id": one.id, "meta": meta, **rest}

    def _values(self, resource: Tree) -> IndexValues:
        """Search values; what is written with this server's own base is found like what is written without."""
        own = self.incoming.base + "/"

        def relative(link: Link) -> str | None:
            of_here = link.kind == "reference" and link.text.startswith(own)
            return link.text.removeprefix(own) if of_here else None

        return index({"id": "", **relinked(resource, relative)}, self.incoming.zone)

    def _save(self, settled: Sequence[Settled]) -> dict[Key, Saved]:
        """Save in rounds: what points by a condition waits until exactly one resource answers it."""
        waiting = list(settled)
        saved: dict[Key, Saved] = {}
        while waiting:
            reading = reading_within(self.unit)
            looked = [(one, pointed(reading, one.resource, self.setting, one.asked.place)) for one in waiting]
            ready = [(one, found) for one, found in looked if not found.open]
            if not ready:
                raise refuse_unanswered([each for _, found in looked for each in found.open])
            for one, found in ready:
                one.resource = found.resource
                self.answered += found.answered
            drafts = [self._draft(one) for one, _ in ready]
            saved |= {(each.type, each.id): each for each in self.unit.save_resources(drafts)}
            waiting = [one for one, found in looked if found.open]
        return saved

    def _draft(self, one: Settled) -> Draft:
        one.values = self._values(one.resource)
        identities.check_lengths(one.values, one.asked.place)
        if one.before is not None:
            identities.check_update(self.unit, one.before, one.values, one.asked.place)
        return Draft(*one.key, None, None, wire.write(one.resource), one.values, one.patient)

    # What came of it

    def _look_again(self, settled: Sequence[Settled]) -> None:
        reading = reading_within(self.unit)
        check_answers(reading, self.answered)
        for one in settled:
            if one.condition is not None:
                _check_condition(one, matches(reading, one.condition))
            if one.writes:
                patient = one.patient or one.values.patient or ""
                identities.check_alone(self.unit, *one.key, one.values, one.asked.place)
                check_targets(self.unit, one.resource, patient, self.incoming.base, one.asked.place)

    def _written(self, one: Settled, saved: Saved | None) -> Written:
        if saved is None:  # nothing was written, or another entry wrote it
            stored = one.before or held(self.unit, [one.key])[one.key]
            return Written(200, *one.key, stored.version, stored.last_updated, stored.body, one.asked.issues)
        last_updated = self.unit.last_updated if saved.changed or one.before is None else one.before.last_updated
        status = 200 if one.before else 201
        return Written(status, *one.key, saved.version, last_updated, saved.body, one.asked.issues)


def _becomes_readings(one: Settled) -> bool:
    return WRITABLE[one.asked.type].becomes_readings


def _content(resource: Tree) -> bytes:
    """A spelling that is equal for equal content; id, version and time of the store left out."""
    meta = {name: value for name, value in resource.get("meta", {}).items() if name not in ("versionId", "lastUpdated")}
    return strict_json.canonical({**resource, "id": "", "meta": meta})


def _allow(asked: Asked, before: Held | None) -> None:
    """Raise Rejected where what is stored forbids the update."""
    if before is not None and before.course_id is not None:
        raise rejected(405, READ_ONLY, asked.place)
    if asked.only_new and before is not None:
        raise rejected(412, "the resource is there already", asked.place)
    if asked.if_match and (before is None or not {"*", str(before.version)} & set(asked.if_match)):
        raise rejected(412, "the version named by If-Match is not the current one", asked.place)


def _join(settled: list[Settled]) -> None:
    """Creates under one and the same condition, answered by nothing so far, make one resource if they are alike."""
    first: dict[tuple[str, str], Settled] = {}
    for place, one in enumerate(settled):
        if one.condition is None or one.asked.method != "POST" or one.before is not None:
            continue
        earlier = first.setdefault((one.asked.type, one.condition.fingerprint), one)
        if earlier is not one:
            if _content(earlier.asked.resource) != _content(one.asked.resource):
                told = "two entries create under the same condition and differ"
                raise rejected(400, told, one.asked.place, "duplicate")
            settled[place] = Settled(one.asked, earlier.id, None, writes=False, condition=one.condition)


def _each_once(settled: Sequence[Settled]) -> None:
    seen: set[Key] = set()
    for one in settled:
        if not one.writes:
            continue
        if one.key in seen:
            raise rejected(400, "two entries write the same resource", one.asked.place, "duplicate")
        seen.add(one.key)


def _check_condition(one: Settled, found: Sequence[Key]) -> None:
    """A condition that its own resource does not answer would make another one at every repetition."""
    if len(found) > 1:
        raise rejected(412, "several resources would answer the condition", one.asked.place, "multiple-matches")
    if list(found) != [one.key]:
        raise rejected(400, "the resource does not answer its own condition", one.asked.place)
