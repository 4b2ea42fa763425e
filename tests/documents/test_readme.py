"""The README's commands run as they stand, against a live service."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.live import live_service

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text("utf-8")
BLOCKS = re.findall(r"^```sh\n(.*?)^```", README, re.DOTALL | re.MULTILINE)


def test_the_commands_of_the_readme_run_as_they_stand(tmp_path):
    assert len(BLOCKS) >= 4
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    said = ""
    with live_service(tmp_path) as service:
        for block in BLOCKS:
            script = block.replace("http://127.0.0.1:8080", service.base)
            done = subprocess.run(
                ["bash", "-euo", "pipefail", "-c", script],
                cwd=ROOT, env=os.environ | {"PATH": path}, capture_output=True, text=True, check=False, timeout=60,
            )  # fmt: skip
            assert done.returncode == 0, f"{script}\n{done.stderr}"
            said += done.stdout
    assert '"course_id":"alder-lower-leg-1"' in said, "the course view"
    assert "Widest gap: 4.45 cm" in said, "the trend reaches the check that the README adds"
    assert '"status":"requested"' in said, "the open reset"
    assert "No issue found." in said, "the mapped Bundle is sound"


@pytest.mark.parametrize("link", re.findall(r"\]\((?!http)([^)#]+)\)", README))
def test_what_the_readme_points_to_is_there(link):
    assert (ROOT / link).exists()
