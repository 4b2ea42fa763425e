"""What a refusal says: every fault of a document, each with a pointer into the document as it was sent."""

from collections.abc import Iterable

from msgspec import Struct

Path = tuple[str | int, ...]


class Fault(Struct, frozen=True, order=True):
    """One fault: where (members and list positions from the document's root) and what."""

    path: Path
    detail: str
    conflict: bool = False  # the same id was charted before with other content (409)

    @property
    def pointer(self) -> str:
        """The path as an RFC 6901 JSON pointer."""
        return "".join(f"/{str(step).replace('~', '~0').replace('/', '~1')}" for step in self.path)

    def beneath(self, prefix: Path) -> "Fault":
        """The same fault in a document that holds this one at `prefix`."""
        return Fault((*prefix, *self.path), self.detail, self.conflict)


class Refused(ValueError):
    """A document of which nothing is stored; holds all its faults."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        unique = {(fault.pointer, fault.detail): fault for fault in faults}
        self.faults = sorted(unique.values(), key=_in_document_order)
        super().__init__("; ".join(f"{fault.pointer}: {fault.detail}" for fault in self.faults))

    @property
    def status(self) -> int:
        """409 when every fault is a conflict with what was charted before, else 422."""
        return 409 if all(fault.conflict for fault in self.faults) else 422


def _in_document_order(fault: Fault) -> list[tuple[bool, str]]:
    return [(isinstance(step, str), str(step).zfill(8)) for step in fault.path]
