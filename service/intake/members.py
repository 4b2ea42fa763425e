"""Reading one course or entry: what is surely right at once, of all else every fault with its pointer."""

from collections.abc import Iterator
from typing import Any, TypeVar, cast

from msgspec import Struct

from service.clinic import entries
from service.clinic.layout import WoundToFit
from service.intake.faults import Fault, Path
from service.intake.sure import surely

Record = TypeVar("Record", bound=Struct)
RECORDS: dict[str, type[Struct]] = {
    "installation": entries.Installation,
    "check": entries.Check,
    "reset": entries.Reset,
    "removal": entries.Removal,
    "reconciliation": entries.Reconciliation,
    "outcome": entries.Outcome,
    "amendment": entries.Amendment,
    "retraction": entries.Retraction,
}
WORDING = {
    "missing": "is missing",
    "extra_forbidden": "is not a name of this format",
    "model_type": "must be an object",
    "dict_type": "must be an object",
}


def read_course(sent: Any) -> entries.Course | list[Fault]:
    """The course, or every fault in it."""
    return _read(entries.Course, sent)


def read_entry(sent: Any) -> entries.Entry | list[Fault]:
    """The entry, or every fault in it."""
    if not isinstance(sent, dict):
        return [Fault((), "must be an object")]
    if "kind" not in sent:
        return [Fault(("kind",), "is missing")]
    kind = sent["kind"]
    record = RECORDS.get(kind) if isinstance(kind, str) else None
    if record is None:
        return [Fault(("kind",), f"must be one of {', '.join(entries.KINDS)}")]
    return cast(entries.Entry | list[Fault], _read(record, sent))


def read_wound_to_fit(sent: Any) -> WoundToFit | list[Fault]:
    """What is asked of a layout plan, or every fault in it."""
    if not isinstance(sent, dict):
        return [Fault((), "must be an object")]
    return _read(WoundToFit, sent)


def _read(record: type[Record], sent: Any) -> Record | list[Fault]:
    found = cast(Record | None, surely(record, sent))
    return _judged(record, sent) if found is None else found


def _judged(record: type[Record], sent: Any) -> Record | list[Fault]:
    from pydantic import ValidationError  # a document in order does not wait for the library

    from service.intake.models import model_of, record_of

    nulls = [Fault(path, "must not be null; leave the name out") for path in _nulls(sent, ())]
    try:
        value: Record = record_of(model_of(record).model_validate(sent))
    except ValidationError as findings:
        found = [_fault(finding) for finding in findings.errors(include_url=False, include_input=False)]
        null_paths = {fault.path for fault in nulls}
        return nulls + [fault for fault in found if fault.path not in null_paths]
    return nulls or value


def _fault(finding: Any) -> Fault:
    detail = WORDING.get(finding["type"], finding["msg"])
    path = tuple(finding["loc"])
    if finding["type"] in ("union_tag_invalid", "union_tag_not_found"):
        kinds = ", ".join(entries.CLINICAL_KINDS)
        detail = "is missing" if finding["type"] == "union_tag_not_found" else f"must be one of {kinds}"
        path = (*path, "kind")
    elif len(path) > 1 and path[0] == "entry" and path[1] in entries.CLINICAL_KINDS:
        path = (path[0], *path[2:])  # pydantic names the kind it chose; the document has no such member
    return Fault(path, detail)


def _nulls(value: Any, path: Path) -> Iterator[Path]:
    if value is None:
        yield path
    elif isinstance(value, dict):
        for name, member in value.items():
            yield from _nulls(member, (*path, name))
    elif isinstance(value, list):
        for position, member in enumerate(value):
            yield from _nulls(member, (*path, position))
