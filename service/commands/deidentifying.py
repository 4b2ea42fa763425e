"""`deidentify`: NDJSON of an export in, the same de-identified out, one file for each resource type."""

import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, BinaryIO

from service.config import settings_from
from service.deidentify import LeftOut, Undecided
from service.deidentify.opening import Opened
from service.deidentify.pseudonyms import KeyFault, Pseudonyms, key_of_this_run, read_key
from service.deidentify.resources import Deidentifier
from service.deidentify.rules import MODES, RESEARCH
from service.deidentify.whose import patient_of
from service.fhir import wire
from service.fhir.profiles import profile_rules
from service.registry.export.owners import Owners
from service.terminology import load

Tree = dict[str, Any]
_AT_ONCE = 5000  # lines of a type that are sorted before they are written
SAID = (
    "de-identified by a table of rules; whether it may be given away is decided by the data protection officer and the "
    "law of the place"
)


class _Refused(ValueError):
    pass


def deidentify_files(files: Sequence[Path], mode: str, key: Path | None, out: Path, site: str, registry: str) -> int:
    """Write the files into a new folder; 0 done, 1 nothing written, with the reason."""
    written = _Files(out)
    try:
        names = Pseudonyms(_key(mode, key), registry, site)
        settings = settings_from()
        terms = load(settings.mappings)
        opened = Opened(mode, terms, profile_rules(terms), settings.mappings, datetime.now(UTC))
        with TemporaryDirectory(prefix="closure-readings-") as folder:
            owners = Owners(Path(folder) / "owners.sqlite3")
            cells = opened.cells(names, _patients(files, owners))
            counts = _write(opened.deidentifier(names, cells), files, owners, written)
            owners.close()
    except (_Refused, KeyFault, Undecided, OSError) as fault:
        written.remove()
        print(f"refused, nothing was written: {fault}", file=sys.stderr)
        return 1
    finally:
        written.close()
    for line, count in sorted(counts.items()):
        print(f"{count} {line}", file=sys.stderr)
    print(SAID, file=sys.stderr)
    return 0


def _key(mode: str, key: Path | None) -> bytes:
    if mode not in MODES:
        raise _Refused(f"mode is {' or '.join(MODES)}")
    if mode != RESEARCH:
        if key is not None:
            raise _Refused(f"{mode} takes no key: its pseudonyms are of this run alone")
        return key_of_this_run()
    if key is None:
        raise _Refused(f"{mode} needs a key file, so that later releases fit to this one")
    return read_key(key)


def _lines(files: Iterable[Path]) -> Iterator[Tree]:
    """The resources of NDJSON files. Raises _Refused with file and line; blank lines are passed over."""
    for path in files:
        with path.open("rb") as file:
            for number, line in enumerate(file, 1):
                if line.strip():
                    yield _resource(path, number, line)


def _resource(path: Path, number: int, line: bytes) -> Tree:
    try:
        resource = wire.read(line)
    except wire.Unreadable as fault:
        raise _Refused(f"{path} line {number}: {fault}") from fault
    if not isinstance(resource.get("resourceType"), str) or not isinstance(resource.get("id"), str):
        raise _Refused(f"{path} line {number}: a resource has a resourceType and an id")
    return resource


def _patients(files: Sequence[Path], owners: Owners) -> Iterator[Tree]:
    """First pass: whose each resource is, and the Patients for their cells."""
    for resource in _lines(files):
        owners.add(resource)
        if resource["resourceType"] == "Patient":
            yield resource
    owners.ready()


def _write(made_by: Deidentifier, files: Sequence[Path], owners: Owners, out: "_Files") -> Counter[str]:
    counts: Counter[str] = Counter()
    for resource in _lines(files):
        type_ = resource["resourceType"]
        patient = patient_of(resource) or owners.of_targets(resource)
        try:
            made = made_by.resource(resource, patient)
        except LeftOut as reason:
            counts[f"left out: {reason}"] += 1
            continue
        if made is None:
            counts[f"left out: {type_}, as the table says"] += 1
            continue
        out.write(made)
        counts[type_] += 1
        if type_ == "Patient":
            out.write(made_by.provenance(resource["id"]))
    return counts


class _Files:
    """One file for each resource type in a new folder that its owner alone can read."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._open: dict[str, BinaryIO] = {}
        self._waiting: dict[str, list[bytes]] = {}

    def write(self, resource: Tree) -> None:
        """Append a resource. Raises _Refused where the folder holds something already."""
        type_ = resource["resourceType"]
        if not self._open:
            self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            if any(self._folder.iterdir()):
                raise _Refused(f"{self._folder} is not empty")
        waiting = self._waiting.setdefault(type_, [])
        waiting.append(wire.write(resource) + b"\n")
        if type_ not in self._open:
            path = self._folder / f"{type_}.ndjson"
            path.touch(mode=0o600, exist_ok=False)
            self._open[type_] = path.open("wb")
        if len(waiting) >= _AT_ONCE:
            self._flush(type_)

    def close(self) -> None:
        """Everything on disk."""
        for type_, file in self._open.items():
            if not file.closed:
                self._flush(type_)
                file.close()

    def _flush(self, type_: str) -> None:
        """Lines go out sorted by their new ids, so that their order does not tell who came after whom."""
        self._open[type_].writelines(sorted(self._waiting.pop(type_, ())))

    def remove(self) -> None:
        """Take back what was written: half a release is none."""
        self.close()
        for type_ in self._open:
            (self._folder / f"{type_}.ndjson").unlink(missing_ok=True)
