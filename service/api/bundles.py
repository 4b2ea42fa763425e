"""Bundles put together from stored bytes, which are not parsed again."""

from collections.abc import Iterable, Sequence
from typing import Protocol

import orjson

from service.api.outcomes import outcome
from service.fhir.subset import WHOLE, subset_of
from service.search.criteria import Subset
from service.search.dates import instant
from service.search.query import Query
from service.store import Page, Stored


def searchset(query: Query, page: Page, base: str) -> bytes:
    """The answer to a search: matches in order, what travels beside them, and what was ignored in one outcome entry.

    Elements that are asked for by name are those of the matches; a summary is one of everything.
    """
    links = [_link("self", query.self_link(base))]
    if page.next:
        links.append(_link("next", query.next_link(base, page.next)))
    beside = Subset(query.subset.summary)
    entries = [
        *(_match(row, base, asked=query.subset) for row in page.rows),
        *(_match(row, base, "include", asked=beside) for row in page.included),
    ]
    if query.ignored:
        entries.append(_ignored(query.ignored))
    return _bundle("searchset", page.total, links, entries)


class Row(Protocol):
    """A resource with its type, id and bytes as served."""

    @property
    def type(self) -> str:
        """Its resource type."""

    @property
    def id(self) -> str:
        """Its id."""

    @property
    def body(self) -> bytes | None:
        """Its bytes."""


def gathered(
    base: str,
    links: Iterable[tuple[str, str]],
    rows: Iterable[Row],
    *,
    included: Iterable[Row] = (),
    total: int | None = None,
    ignored: Sequence[str] = (),
    notice: str = "",
) -> bytes:
    """A searchset that no search gave: matches, what they need beside them, and what is to be said of them."""
    entries = [*(_match(row, base) for row in rows), *(_match(row, base, "include") for row in included)]
    if ignored:
        entries.append(_ignored(ignored))
    if notice:
        entries.append(b'{"resource":%s,"search":{"mode":"outcome"}}' % outcome("information", "informational", notice))
    return _bundle("searchset", total, [_link(*link) for link in links], entries)


def history(rows: Sequence[Stored], self_link: str, next_link: str | None, base: str) -> bytes:
    """Versions of one resource, newest first (http.html#history)."""
    links = [_link("self", self_link), *([_link("next", next_link)] if next_link else [])]
    return _bundle("history", None, links, [_version(row, base) for row in rows])


def etag(version: int | str) -> str:
    """Weak entity tag of a version (http.html#concurrency)."""
    return f'W/"{version}"'


def _bundle(kind: str, total: int | None, links: Iterable[bytes], entries: Sequence[bytes]) -> bytes:
    counted = b"" if total is None else b'"total":%d,' % total
    listed = b',"entry":[' + b",".join(entries) + b"]" if entries else b""
    return b'{"resourceType":"Bundle","type":"%s",%s"link":[%s]%s}' % (
        kind.encode(),
        counted,
        b",".join(links),
        listed,
    )


def _link(relation: str, url: str) -> bytes:
    return orjson.dumps({"relation": relation, "url": url})


def _match(row: Row, base: str, mode: str = "match", *, asked: Subset = WHOLE) -> bytes:
    url = f"{base}/{row.type}/{row.id}".encode()
    body = subset_of(row.body or b"", asked)
    return b'{"fullUrl":"%s","resource":%s,"search":{"mode":"%s"}}' % (url, body, mode.encode())


def _ignored(names: Sequence[str]) -> bytes:
    text = "not searched by, as this server has no such parameter for this type or it came without a value: "
    return b'{"resource":%s,"search":{"mode":"outcome"}}' % outcome(
        "warning", "not-supported", text + ", ".join(dict.fromkeys(names))
    )


def _version(row: Stored, base: str) -> bytes:
    request = {"method": "PUT" if row.body is not None else "DELETE", "url": f"{row.type}/{row.id}"}
    status = "204" if row.body is None else "201" if row.version == 1 else "200"
    response = {"status": status, "etag": etag(row.version), "lastModified": instant(row.last_updated)}
    resource = b"" if row.body is None else b'"resource":%s,' % row.body
    return b'{"fullUrl":"%s",%s"request":%s,"response":%s}' % (
        f"{base}/{row.type}/{row.id}".encode(),
        resource,
        orjson.dumps(request),
        orjson.dumps(response),
    )
