"""That the scan of the whole run finds what it is there for."""

import logging
import os
import re
import shutil
import subprocess
import sys
import tempfile

from tests.log_scan import ROOT, LogScan, invented

LEAKS = {
    "a_message": 'log.info("saved the course of %s", "Haskett")',
    "a_message_for_debugging": 'log.debug("patient T100231")',
    "a_field": 'log.info("request", extra={"route": "/intake/courses/lower-leg-0302"})',
    "a_note": """log.info(\'"<35 mm" pad used - Charted the next morning from the paper sheet.\')""",
    "the_log_of_a_service": '(tmp_path / "serve.log").write_text("{\\"event\\": \\"Haskett\\"}")',
}
CLEAN = {
    "nothing": 'log.info("request", extra={"route": "/intake/courses/{course_id}"})',
    "a_fault_of_which_no_text_is_written": "log.error('failed', exc_info=ValueError('Haskett'))",
    "a_field_that_is_not_written": 'log.info("request", extra={"path": "/intake/courses/lower-leg-0302"})',
    "a_library_below_its_level": 'logging.getLogger("sqlalchemy.engine").info("Row Haskett")',
    "an_argument_of_a_library": 'logging.getLogger("psycopg").warning("error in %s", "Haskett")',
}


def run_with(folder, statements):
    tests = [f"def test_{name}(tmp_path):\n    {statement}\n" for name, statement in statements.items()]
    file = folder / "test_planted.py"
    file.write_text("import logging\nlog = logging.getLogger('service.planted')\n" + "".join(tests))
    kept = tempfile.mkdtemp(prefix="planted-")  # not below pytest's own folder, whose logs the run around this reads
    command = [sys.executable, "-m", "pytest", "-q", "-p", "tests.log_scan", "-p", "no:cacheprovider", "-c", os.devnull]
    try:
        return subprocess.run(
            [*command, "--rootdir", str(folder), "--basetemp", f"{kept}/run", str(file)],
            env=os.environ | {"PYTHONPATH": str(ROOT)},
            capture_output=True,
            text=True,
            check=False,
        )
    finally:
        shutil.rmtree(kept)


def test_a_run_fails_that_wrote_an_invented_name_into_a_log(tmp_path):
    done = run_with(tmp_path, LEAKS)
    assert done.returncode == 1, done.stdout + done.stderr
    assert f"{len(LEAKS)} passed" in done.stdout  # the tests themselves saw nothing amiss
    assert f"{len(LEAKS)} name somebody" in done.stdout
    for name in LEAKS:
        assert re.search(rf"test_{name}.*invented in ", done.stdout), name


def test_a_run_passes_whose_log_names_nobody(tmp_path):
    done = run_with(tmp_path, CLEAN)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "0 name somebody" in done.stdout


def test_the_scan_knows_the_people_of_the_examples_and_of_the_tests():
    words = invented()
    assert {"Haskett", "Jorin", "T100231", "1988-04-17", "Dr. H. Calloway", "lower-leg-0302"} <= set(words)
    assert {"Moen-Tveit", "AB-771-402", "called her daughter Solveig", "Ødegård"} <= set(words)
    assert len(words) > 100


def test_a_leak_is_told_with_its_test_and_place():
    scan = LogScan({"Haskett": "somewhere.json"})
    scan.test = "tests/test_a.py::test_b"
    scan.emit(logging.LogRecord("service.x", logging.DEBUG, "/a/x.py", 7, "for %s", ("Haskett",), None))
    assert scan.leaks == ["tests/test_a.py::test_b: service.x at x.py:7: 'Haskett' (invented in somewhere.json)"]
