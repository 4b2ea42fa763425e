"""The published artefacts as an npm-style FHIR package, so that a validator elsewhere can load them.

Layout and manifest as in https://hl7.org/fhir/packages.html (`.index.json` of version 2). The same artefacts give the
same bytes: members in order of their names, no clock, no owner.
"""

import gzip
import io
import tarfile
from collections.abc import Iterable, Mapping, Sequence
from typing import Any
from urllib.parse import urlsplit

import orjson

from service.fhir import wire
from service.terminology import Terminology

Tree = dict[str, Any]
FOLDER, EXAMPLES = "package", "package/example"
_INDEXED = ("url", "version", "kind", "type", "supplements", "content", "derivation")
_CORE = {"hl7.fhir.r4.core": "4.0.1"}


def package_name(base: str) -> str:
    """Name of the package: the labels of the canonical base's host from the last to the first."""
    labels = (urlsplit(base).hostname or "localhost").split(".")
    return ".".join(reversed(labels if len(labels) > 1 else [*labels, "local"]))


def package(terms: Terminology, artefacts: Sequence[Tree], examples: Sequence[Tree]) -> bytes:
    """The package as .tgz: manifest, artefacts, examples, and an index of each folder."""
    members = {f"{FOLDER}/package.json": _text(_manifest(terms))}
    members |= _folder(FOLDER, artefacts) | _folder(EXAMPLES, examples)
    return _packed(members)


def file_name(resource: Mapping[str, Any]) -> str:
    """How a resource's file is called: `ValueSet-closure.json`."""
    return f"{resource['resourceType']}-{resource['id']}.json"


def _manifest(terms: Terminology) -> Tree:
    canonical = terms.canonical
    return {
        "name": package_name(terms.base),
        "version": canonical["version"],
        "type": "Conformance",
        "canonical": terms.base,
        "url": terms.base,
        "title": "Gradual wound closure",
        "description": "Profiles, extensions, codes and maps of bedside readings of gradual wound closure.",
        "fhirVersions": [canonical["fhir_version"]],
        "dependencies": _CORE,
        "author": canonical["publisher"],
        "license": "Apache-2.0",
        "date": canonical["date"].replace("-", "") + "000000",
        "directories": {"lib": FOLDER, "example": "example"},
    }


def _folder(folder: str, resources: Iterable[Tree]) -> dict[str, bytes]:
    named = {file_name(resource): resource for resource in resources}
    files = [_indexed(name, resource) for name, resource in sorted(named.items())]
    members = {f"{folder}/{name}": wire.write(resource) + b"\n" for name, resource in named.items()}
    return members | {f"{folder}/.index.json": _text({"index-version": 2, "files": files})}


def _indexed(name: str, resource: Tree) -> Tree:
    row = {"filename": name, "resourceType": resource["resourceType"], "id": resource["id"]}
    return row | {key: resource[key] for key in _INDEXED if isinstance(resource.get(key), str)}


def _text(value: Tree) -> bytes:
    return orjson.dumps(value, option=orjson.OPT_INDENT_2) + b"\n"


def _packed(members: Mapping[str, bytes]) -> bytes:
    packed = io.BytesIO()
    # The manifest first: readers look for it there.
    order = sorted(members, key=lambda name: (name != f"{FOLDER}/package.json", name))
    with (
        gzip.GzipFile(fileobj=packed, mode="wb", compresslevel=9, mtime=0) as zipped,
        tarfile.open(fileobj=zipped, mode="w", format=tarfile.PAX_FORMAT) as tar,
    ):
        for name in order:
            entry = tarfile.TarInfo(name)
            entry.size, entry.mode = len(members[name]), 0o644
            tar.addfile(entry, io.BytesIO(members[name]))
    return packed.getvalue()
