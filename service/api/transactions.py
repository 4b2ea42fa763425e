"""`POST /fhir` with a Bundle: a transaction is stored whole or not at all, a batch entry by entry (#transaction).

The order of the entries decides nothing: DELETE (refused), then POST and PUT as one, then GET; the answer has an entry
for each, in the order of the request.
"""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from http import HTTPStatus
from typing import Any

import orjson
from starlette.responses import Response

from service.access.faults import Forbidden
from service.access.gate import Access
from service.api.bundles import etag
from service.api.outcomes import MEDIA_TYPE, outcome_for
from service.api.permissions import READING, fhir_interactions, searched_by_references, searched_through
from service.api.preconditions import Wish, preconditions
from service.api.reads_within import Answer, ReadsWithin
from service.fhir import wire
from service.fhir.r4.issue import Issue
from service.fhir.validate import check, operation_outcome
from service.fhir.writable import WRITABLE
from service.search.dates import instant
from service.store import Reading
from service.store.receiving import reading_within
from service.workflow import Workflow
from service.workflow.incoming import READ_ONLY, Asked, Incoming, Written, without_server_elements
from service.workflow.rejecting import Rejected, Status, rejected

Tree = dict[str, Any]
# What permissions and routes read alike: a route would end before a line break, too.
_PATH = re.compile(r"[A-Za-z0-9._$/-]*")
_IN_ORDER = ("DELETE", "POST", "PUT", "GET", "HEAD")
_CONDITIONS = {
    "ifMatch": "if-match",
    "ifNoneMatch": "if-none-match",
    "ifNoneExist": "if-none-exist",
    "ifModifiedSince": "if-modified-since",
}
_GET_CONDITIONS = ("if-none-match", "if-modified-since")
_FAILED: Mapping[int, Status] = {403: 403, 404: 404, 410: 404}  # of a GET: status of the transaction


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry as sent."""

    place: int
    method: str
    url: str  # relative to the base
    request: Tree
    resource: Tree | None
    full_url: str | None

    @property
    def at(self) -> str:
        """FHIRPath of the entry."""
        return f"Bundle.entry[{self.place}]"

    @property
    def path(self) -> list[str]:
        """The parts of its path below the base."""
        return [part for part in self.url.partition("?")[0].split("/") if part]

    def conditions(self) -> dict[str, str]:
        """Conditions of the request by the names of their headers."""
        return {header: str(self.request[name]) for name, header in _CONDITIONS.items() if name in self.request}


class Transactions:
    """Transactions and batches of one site."""

    def __init__(
        self, workflow: Workflow, incoming: Incoming, clock: Callable[[], datetime], reads: ReadsWithin
    ) -> None:
        self._workflow = workflow
        self._incoming = incoming
        self._clock = clock
        self._base = workflow.settings.fhir_base
        self._reads = reads

    def answer(self, raw: bytes, wanted: Wish, access: Access) -> Response:
        """Do what a Bundle asks for; raises Rejected or `wire.Unreadable` where nothing of it is done.

        Each entry needs what a request of its own would need.
        """
        bundle = wire.read(raw)
        kind = bundle.get("type")
        if bundle.get("resourceType") != "Bundle" or kind not in ("transaction", "batch"):
            raise rejected(400, "a Bundle of type transaction or batch is wanted here", "Bundle.type")
        bundle = _as_taken(bundle)
        if kind == "transaction":
            issues = self._check_whole(bundle)
            entries = [self._entry(place, row) for place, row in enumerate(bundle.get("entry", ()))]
            require_entries(access, entries)
            parts = self._transaction(entries, issues, wanted, access)
        else:
            parts = self._batch(bundle, wanted, access)
        return Response(_bundle(f"{kind}-response", parts, self._base), 200, media_type=MEDIA_TYPE)

    # A transaction

    def _check_whole(self, bundle: Tree) -> list[Issue]:
        """The warnings of a sound Bundle; Rejected with every error of another, 422 where all lie in its resources."""
        issues = check(bundle, self._workflow.site.rules)
        errors = [issue for issue in issues if issue.severity == "error"]
        if errors:
            in_resources = all(".resource." in issue.expression for issue in errors)
            raise Rejected(422 if in_resources else 400, issues)
        return issues

    def _transaction(
        self, entries: Sequence[Entry], issues: Sequence[Issue], wanted: Wish, access: Access
    ) -> list[bytes]:
        asked = self._all_asked([one for one in entries if one.method not in ("GET", "HEAD")])
        for one in asked.values():
            one.issues = [issue for issue in issues if issue.expression.startswith(f"{one.place}.")]
        gets = [one for one in entries if one.method in ("GET", "HEAD")]
        store, site = self._workflow.store, self._workflow.site.key
        parts: dict[int, bytes] = {}
        if not asked:
            with store.read(site) as reading:
                return [self._got(get, reading, access) for get in gets]
        with store.write(site, self._clock()) as unit:
            written = self._incoming.write(unit, list(asked.values()))
            first = {(each.type, each.id): place for place, each in reversed([*zip(asked, written, strict=True)])}
            for place, each in zip(asked, written, strict=True):
                # bdl-7: of entries that mean one resource the first has its fullUrl; `location` is in all of them
                parts[place] = _written(each, wanted, self._base, named=first[each.type, each.id] == place)
            if gets:
                reading = reading_within(unit)
                parts |= {get.place: self._got(get, reading, access) for get in gets}
        return [parts[entry.place] for entry in entries]

    def _all_asked(self, entries: Sequence[Entry]) -> dict[int, Asked]:
        """The writes by place in the Bundle; Rejected with the faults of all of them."""
        asked: dict[int, Asked] = {}
        refusals: list[Rejected] = []
        for one in sorted(entries, key=lambda each: _IN_ORDER.index(each.method)):
            try:
                asked[one.place] = self._asked(one)
            except Rejected as refusal:
                refusals.append(refusal)
        if refusals:
            raise Rejected(refusals[0].status, [issue for refusal in refusals for issue in refusal.issues])
        return asked

    def _got(self, one: Entry, reading: Reading, access: Access) -> bytes:
        """A GET of a transaction; one that fails lets the whole fail."""
        answer = self._reads.get(one.method, one.url, _get_headers(one), reading, access)
        if answer.status >= 400:
            told = f"{one.method} is answered {answer.status}"
            raise rejected(_FAILED.get(answer.status, 400), told, f"{one.at}.request.url")
        return _answered(answer)

    # A batch

    def _batch(self, bundle: Tree, wanted: Wish, access: Access) -> list[bytes]:
        rows = bundle.get("entry", [])
        if not isinstance(rows, list):
            raise rejected(400, "entry is a list", "Bundle.entry")
        parts: dict[int, bytes] = {}
        places = sorted(range(len(rows)), key=lambda place: _rank(rows[place]))
        for place in places:
            parts[place] = self._one_of_batch(place, rows[place], wanted, access)
        return [parts[place] for place in range(len(rows))]

    def _one_of_batch(self, place: int, row: Any, wanted: Wish, access: Access) -> bytes:
        try:
            entry = self._entry(place, row)
            require_entries(access, [replace(entry, resource=None)])
            if entry.method in ("GET", "HEAD"):
                return _answered(self._reads.get(entry.method, entry.url, _get_headers(entry), None, access))
            asked = self._asked(entry)
            asked.issues = self._checked(entry)
            require_entries(access, [entry])
            with self._workflow.store.write(self._workflow.site.key, self._clock()) as unit:
                (written,) = self._incoming.write(unit, [asked])
            return _written(written, wanted, self._base)
        except Rejected as refusal:
            return _part(refusal.status, outcome=wire.write(operation_outcome(refusal.issues)))
        except Exception as fault:  # the other entries stand for themselves
            answer = outcome_for(fault)
            return _part(answer.status_code, outcome=bytes(answer.body))

    def _checked(self, entry: Entry) -> list[Issue]:
        found = check(entry.resource or {}, self._workflow.site.rules)
        issues = [_beneath(issue, f"{entry.at}.resource") for issue in found]
        if any(issue.severity == "error" for issue in issues):
            raise Rejected(422, issues)
        return issues

    # Entries

    def _entry(self, place: int, row: Any) -> Entry:
        """An entry that has a request; Rejected 400 for anything else."""
        at = f"Bundle.entry[{place}]"
        request = row.get("request") if isinstance(row, dict) else None
        if not isinstance(request, dict) or not all(isinstance(request.get(key), str) for key in ("method", "url")):
            raise rejected(400, "an entry needs a request with method and url", f"{at}.request", "required")
        if request["method"] not in _IN_ORDER:
            raise rejected(405, f"{request['method'][:16]} is not supported in a Bundle", f"{at}.request.method")
        url = request["url"].removeprefix(f"{self._base}/").lstrip("/")
        if not _PATH.fullmatch(url.partition("?")[0]):
            raise rejected(400, "the url is a path below the base, of letters, digits and -._$/", f"{at}.request.url")
        resource = row.get("resource")
        full_url = row.get("fullUrl")
        return Entry(
            place, request["method"], url, request, resource if isinstance(resource, dict) else None,
            full_url if isinstance(full_url, str) else None,
        )  # fmt: skip

    def _asked(self, one: Entry) -> Asked:
        """What a POST or PUT asks for; Rejected for what is refused without looking into the store."""
        if one.method == "DELETE":
            raise rejected(405, "resources are not deleted here", f"{one.at}.request.method")
        path, mark, query = one.url.partition("?")
        type_, _, id_ = path.partition("/")
        at = f"{one.at}.request.url"
        if type_ not in WRITABLE or (one.method == "PUT" and not WRITABLE[type_].update):
            raise rejected(405, READ_ONLY, at)
        if one.resource is None or one.resource.get("resourceType") != type_:
            raise rejected(400, f"the resource is not of the type of the URL, {type_}", f"{one.at}.resource")
        if (one.method == "POST" and (id_ or mark)) or (one.method == "PUT" and bool(id_) == bool(mark)):
            raise rejected(400, "the url of a POST is a type, of a PUT a type with an id or a query", at)
        if id_ and one.resource.get("id") != id_:
            raise rejected(400, "the id of the resource is not the id of the URL", f"{one.at}.resource.id")
        under = preconditions(one.method, one.conditions(), f"{one.at}.request")
        condition = query if mark else under.if_none_exist
        return Asked(
            one.method, one.resource, f"{one.at}.resource", id_ or None, condition, under.if_match, under.only_new,
            one.full_url,
        )  # fmt: skip


def require_entries(access: Access, entries: Sequence[Entry]) -> None:
    """Raise Rejected 403 with every entry that the client may not send, whatever the others are."""
    issues = [
        Issue("error", "forbidden", f"{one.at}.request", told, "write")
        for one in entries
        for told in _not_granted(access, one)
    ]
    if issues:
        raise Rejected(403, issues)


def _not_granted(access: Access, one: Entry) -> Iterator[str]:
    asked = fhir_interactions(one.method, one.path, "ifNoneExist" in one.request)
    if one.method not in READING:  # a GET is asked for its chains by the route
        for condition in (one.url.partition("?")[2], str(one.request.get("ifNoneExist", ""))):
            asked += searched_through(condition)
    for type_, interaction in [*asked, *(searched_by_references(one.resource) if one.resource else ())]:
        try:
            access.require(type_, interaction)
        except Forbidden as fault:
            yield str(fault)


def _as_taken(bundle: Tree) -> Tree:
    """The Bundle without what a create does not look at: ids, versions and times of POSTed resources."""

    def taken(row: Any) -> Any:
        posted = (
            isinstance(row, dict) and isinstance(row.get("request"), dict) and row["request"].get("method") == "POST"
        )
        if posted and isinstance(row.get("resource"), dict):
            return {**row, "resource": without_server_elements(row["resource"])}
        return row

    rows = bundle.get("entry")
    return {**bundle, "entry": [taken(row) for row in rows]} if isinstance(rows, list) else bundle


def _rank(row: Any) -> int:
    request = row.get("request") if isinstance(row, dict) else None
    method = request.get("method") if isinstance(request, dict) else None
    return _IN_ORDER.index(method) if method in _IN_ORDER else 0


def _get_headers(one: Entry) -> Mapping[str, str]:
    return {name: value for name, value in one.conditions().items() if name in _GET_CONDITIONS}


def _beneath(issue: Issue, place: str) -> Issue:
    rest = issue.expression[len(issue.expression.partition(".")[0]) :]
    return Issue(issue.severity, issue.code, f"{place}{rest}", issue.diagnostics, issue.layer)


# The answer


def _written(written: Written, wanted: Wish, base: str, *, named: bool = True) -> bytes:
    url = f"{base}/{written.type}/{written.id}"
    response = {
        "location": f"{url}/_history/{written.version}",
        "etag": etag(written.version),
        "lastModified": instant(written.last_updated),
    }
    told = wire.write(operation_outcome(written.issues)) if wanted == "OperationOutcome" else None
    resource = written.body if wanted == "representation" else None
    return _part(written.status, response, resource, url if named else None, told)


def _answered(answer: Answer) -> bytes:
    """An answer of the routes of reading as an entry."""
    response = {"etag": answer.headers["etag"]} if "etag" in answer.headers else {}
    if answer.status >= 400:
        return _part(answer.status, response, outcome=answer.body)
    return _part(answer.status, response, answer.body or None)


def _part(
    status: int,
    response: Mapping[str, str] | None = None,
    resource: bytes | None = None,
    full_url: str | None = None,
    outcome: bytes | None = None,
) -> bytes:
    parts = [b'"fullUrl":%s' % orjson.dumps(full_url)] if full_url else []
    parts += [b'"resource":%s' % resource] if resource else []
    line = {"status": f"{status} {HTTPStatus(status).phrase}", **(response or {})}
    told = orjson.dumps(line)[:-1] + (b',"outcome":%s}' % outcome if outcome else b"}")
    return b"{%s}" % b",".join([*parts, b'"response":%s' % told])


def _bundle(kind: str, parts: Sequence[bytes], base: str) -> bytes:
    listed = b',"entry":[%s]' % b",".join(parts) if parts else b""
    link = orjson.dumps([{"relation": "self", "url": base}])
    return b'{"resourceType":"Bundle","type":"%s","link":%s%s}' % (kind.encode(), link, listed)
