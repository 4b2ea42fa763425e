"""What ships is tested: the wheel is built, installed into an environment of its own, and does its job there."""

import json
import os
import subprocess
import sys
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def run(*command, cwd):
    environment = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "DATABASE_URL")}
    return subprocess.run(
        [str(part) for part in command],
        cwd=cwd,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
        timeout=180,
    )


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wheel")
    run(sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", folder, cwd=ROOT)
    (built,) = folder.glob("*.whl")
    return built


def test_the_wheel_carries_tables_migrations_pages_and_notices(wheel):
    names = set(zipfile.ZipFile(wheel).namelist())
    for wanted in (
        "service/mappings/concepts.csv",
        "service/mappings/policy/default.toml",
        "service/templates/start.html",
    ):
        assert wanted in names
    assert any(name.startswith("service/migrations/versions/0001") for name in names)
    assert any(name.endswith("licenses/NOTICE") for name in names)
    assert not [name for name in names if name.startswith(("tests/", "examples/"))]


@pytest.mark.slow
def test_the_installed_wheel_maps_validates_and_stores(wheel, tmp_path):
    environment = tmp_path / "venv"
    venv.create(environment, with_pip=False)
    site = next((environment / "lib").glob("python*")) / "site-packages"
    zipfile.ZipFile(wheel).extractall(site)
    depends = next(Path(path) for path in sys.path if path.endswith("site-packages"))
    (site / "dependencies.pth").write_text(f"{depends}\n")  # what the lock file pins is installed once
    python = environment / "bin" / "python"
    where = run(python, "-c", "import service; print(service.__file__)", cwd=tmp_path).stdout.strip()
    assert Path(where).is_relative_to(environment)
    course = ROOT / "service" / "api" / "example-course.json"
    bundle = run(python, "-m", "service", "map", course, cwd=tmp_path).stdout
    assert json.loads(bundle)["type"] == "transaction"
    (tmp_path / "bundle.json").write_text(bundle)
    assert "No issue found" in run(python, "-m", "service", "validate", "bundle.json", cwd=tmp_path).stdout
    assert "1 courses recorded" in run(python, "-m", "service", "load", course, cwd=tmp_path).stderr
    assert "alder-lower-leg-1" in run(python, "-m", "service", "show", "alder-lower-leg-1", cwd=tmp_path).stdout
