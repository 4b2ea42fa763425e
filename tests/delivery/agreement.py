"""Whether a receiver holds what the sender shows: complete, once, in order, and word for word but for ids."""

import json
import re
from typing import Any

from sqlalchemy import select

from service.config import Settings
from service.store.tables import resource_history, resources
from service.workflow import open_workflow
from tests.delivery.receiver import Records
from tests.delivery.ward import SITE

Key = tuple[str, str]
NOT_SENT = {"Patient", "Encounter"}
_OWN = re.compile(r"([A-Z][A-Za-z]+)/([A-Za-z0-9.-]{1,64})(/_history/[0-9]+)?")


class Sender:
    """Every version of everything that the sender stores, parsed with the digits of its numbers."""

    def __init__(self, database_url: str, left_out: frozenset[str] = frozenset()) -> None:
        workflow = open_workflow(Settings(database_url=database_url))
        self.versions: dict[Key, list[Any]] = {}
        self.shared: dict[Key, Any] = {}
        with workflow.store.read(SITE) as reading:
            for table in (resource_history, resources):
                wanted = select(table.c.type, table.c.id, table.c.body).where(table.c.site == SITE)
                for type_, own, body in reading.connection.execute(wanted.order_by(table.c.version)):
                    parsed = json.loads(body, parse_float=str)
                    if type_ in NOT_SENT:
                        self.shared[type_, own] = parsed
                    elif type_ not in left_out:
                        self.versions.setdefault((type_, own), []).append(parsed)
        workflow.close()


def assert_agreement(sender: Sender, records: Records, assigns_ids: bool) -> int:
    """Assert it and return how many resources it was; the hospital's own Patients are not counted."""
    ids = {key: _remote(key, bodies[-1], records, assigns_ids) for key, bodies in sender.versions.items()}
    ids |= {key: _found(key[0], body, records) for key, body in sender.shared.items()}
    theirs = {key for key in records.bodies if key[0] not in NOT_SENT}
    expected = {(type_, ids[type_, own]) for type_, own in sender.versions}
    assert len(expected) == len(sender.versions), "two of ours became one of theirs"
    assert theirs == expected, (len(theirs - expected), len(expected - theirs), sorted(theirs ^ expected)[:3])
    for key, bodies in sender.versions.items():
        ours = [_plain(body, ids) for body in bodies]
        received = [_plain(body, {}) for body in records.bodies[key[0], ids[key]]]
        assert_in_order(received, ours, key)
        assert received[-1] == ours[-1], f"{key}: not the newest state"
    return len(expected)


def _remote(key: Key, body: Any, records: Records, assigns_ids: bool) -> str:
    if not assigns_ids:
        return key[1]
    return _found(key[0], body, records)


def _found(type_: str, body: Any, records: Records) -> str:
    first = body["identifier"][0]
    found = records.found(type_, first["system"], first["value"])
    assert len(found) == 1, f"{type_} {first['value']}: {len(found)} at the receiver"
    return found[0]


def assert_in_order(received: list[Any], ours: list[Any], key: Key) -> None:
    """Each state received is one of ours, none older than the one before; a state may come again, or be left out."""
    place = 0
    for each in received:
        while place < len(ours) and ours[place] != each:
            place += 1
        assert place < len(ours), f"{key}: an older state after a newer one, or one that was never said"


def _plain(value: Any, ids: dict[Key, str], depth: int = 0) -> Any:
    """Content alone: without id, version and time of a store; references as they stand at the receiver."""
    if isinstance(value, list):
        return [_plain(each, ids, depth + 1) for each in value]
    if not isinstance(value, dict):
        return value
    found = {name: _plain(each, ids, depth + 1) for name, each in value.items()}
    if depth == 0:
        found.pop("id", None)
        found["meta"] = {k: v for k, v in found["meta"].items() if k not in ("versionId", "lastUpdated")}
        if "presentedForm" in found:  # an address here, bytes there: see test_preparing.py
            found["presentedForm"] = [(form["contentType"], form["title"]) for form in found["presentedForm"]]
    form = _OWN.fullmatch(found["reference"]) if isinstance(found.get("reference"), str) else None
    if form and (form[1], form[2]) in ids:
        found["reference"] = f"{form[1]}/{ids[form[1], form[2]]}"
    return found
