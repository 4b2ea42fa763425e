"""The worker: jobs survive it, are leased, and fail in words."""

import json
import subprocess
import sys
import threading
from datetime import UTC, datetime

import pytest

from service.registry.export.files import Output
from service.registry.export.running import start_worker
from service.store import export_rows as rows
from tests.bulk.side import SITE


def job(side, url):
    with side.database.read() as connection:
        return rows.find_job(connection, SITE, url.rsplit("/", 1)[1])


def test_a_job_survives_the_service_and_is_run_by_a_process_of_its_own(side, tmp_path):
    url = side.begin("/fhir/$export?_type=Patient").headers["content-location"]
    code = "from service.commands.exporting import work_on_exports; raise SystemExit(work_on_exports(once=True))"
    environment = {
        "DATABASE_URL": side.settings.database_url,
        "CLOSURE_READINGS_SITE": SITE,
        "CLOSURE_READINGS_EXPORT_FOLDER": str(side.exports.settings.folder),
        "PATH": "/usr/bin:/bin",
    }
    subprocess.run([sys.executable, "-c", code], env=environment, check=True, timeout=60)
    assert job(side, url).state == rows.DONE


def test_a_job_whose_worker_was_lost_is_begun_anew_and_comes_to_the_same(side, monkeypatch):
    url = side.begin("/fhir/$export?_type=Patient,Task").headers["content-location"]

    def stop(*_):
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(Output, "finish", stop)
        with pytest.raises(KeyboardInterrupt):
            side.worker.run_once()
    assert job(side, url).state == rows.RUNNING
    assert not side.worker_with().run_once()  # the lease is not over yet
    side.clock.step *= 60
    assert side.worker.run_once()
    done = job(side, url)
    assert (done.state, done.attempt) == (rows.DONE, 2)
    manifest = side.get(url).json()
    assert {each["type"] for each in manifest["output"]} == {"Patient", "Task"}


KILLED = """
import sys, time
from service.commands.exporting import work_on_exports
from service.registry.export.files import Output
finish = Output.finish
def wait(output):
    finish(output)
    print("written", flush=True)
    time.sleep(60)
Output.finish = wait
work_on_exports(once=True)
"""


def test_a_worker_that_is_killed_with_its_files_written_loses_the_job_to_another(side):
    url = side.begin("/fhir/$export?_type=Patient,Task").headers["content-location"]
    environment = {
        "DATABASE_URL": side.settings.database_url,
        "CLOSURE_READINGS_EXPORT_FOLDER": str(side.exports.settings.folder),
        "PATH": "/usr/bin:/bin",
    }
    killed = subprocess.Popen([sys.executable, "-c", KILLED], env=environment, stdout=subprocess.PIPE)
    assert killed.stdout is not None
    with killed.stdout as said:
        assert said.readline() == b"written\n"
        killed.kill()
        killed.wait(timeout=20)
    assert job(side, url).state == rows.RUNNING
    side.clock.at = datetime(2100, 1, 1, tzinfo=UTC)  # long after its lease, whatever the clock of this machine says
    assert side.worker.run_once()
    assert (job(side, url).state, job(side, url).attempt) == (rows.DONE, 2)
    assert len(side.lines(side.get(url).json(), "Patient")) > 1


def test_a_worker_that_comes_back_late_leaves_the_job_to_the_one_that_has_it(side, monkeypatch):
    url = side.begin("/fhir/$export?_type=Patient").headers["content-location"]
    finish = Output.finish

    def meanwhile(output):
        monkeypatch.setattr(Output, "finish", finish)
        step, side.clock.step = side.clock.step, side.clock.step * 60
        assert side.worker_with().run_once()
        side.clock.step = step
        return finish(output)

    monkeypatch.setattr(Output, "finish", meanwhile)
    side.worker.run_once()
    done = job(side, url)
    assert (done.state, done.attempt) == (rows.DONE, 2)
    files = {path.name for path in side.exports.settings.folder.glob("*/*")}
    assert files == {each["file"] for each in json.loads(done.outcome)["output"]}


def test_a_job_that_never_comes_to_its_end_fails_in_the_end_and_says_so(side, monkeypatch):
    url = side.begin().headers["content-location"]

    def stop(*_):
        raise OSError("disk full")

    monkeypatch.setattr(Output, "finish", stop)
    side.clock.step *= 60
    for _ in range(3):
        with pytest.raises(OSError, match="disk full"):
            side.worker.run_once()
    assert side.worker.run_once()
    failed = side.get(url)
    assert failed.status_code == 500
    assert failed.json()["resourceType"] == "OperationOutcome"
    assert "3 times" in failed.json()["issue"][0]["diagnostics"]
    assert not list(side.exports.settings.folder.glob("*/*"))


def test_a_job_cancelled_while_it_runs_leaves_no_files(side, monkeypatch):
    url = side.begin().headers["content-location"]
    finish = Output.finish

    def meanwhile(output):
        side.get(url, method="DELETE")
        return finish(output)

    monkeypatch.setattr(Output, "finish", meanwhile)
    side.worker.run_once()
    assert side.get(url).status_code == 404
    assert not list(side.exports.settings.folder.glob("*/*"))


def test_two_workers_never_take_one_job(empty):
    for number in range(6):
        assert empty.begin("/fhir/$export?_type=Patient", f"c{number}").status_code == 202
    taken = []

    def take():
        now = 0
        with empty.database.write() as connection:
            found = rows.claim_job(connection, now, 1 << 60)
        taken.append(found.job_id if found else None)

    threads = [threading.Thread(target=take) for _ in range(9)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    got = [each for each in taken if each]
    assert len(got) == len(set(got))
    assert len(got) == 6 or "postgresql" in empty.settings.database_url  # there, who meets a taken row passes it over


def test_two_kick_offs_of_one_client_at_once_make_one_job(empty):
    answers = []
    threads = [threading.Thread(target=lambda: answers.append(empty.begin().status_code)) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(answers) == [202, 429, 429, 429]


def test_the_thread_inside_the_service_runs_what_waits_and_ends_when_told(side):
    url = side.begin("/fhir/$export?_type=Patient").headers["content-location"]
    stop = start_worker(side.worker)
    for _ in range(200):
        if job(side, url).state == rows.DONE:
            break
        threading.Event().wait(0.05)
    stop()
    assert job(side, url).state == rows.DONE
    assert "exports" not in {thread.name for thread in threading.enumerate()}


MEASURE = """
import re, sys
from service.store.export_reading import open_export_database
from service.registry.export.running import ExportWorker
from service.registry.export.settings import ExportSettings
from service.registry.export.sources import Sources
from service.config import Settings
from datetime import datetime, UTC
from pathlib import Path
now = lambda: datetime.now(UTC)
settings = Settings(database_url=sys.argv[1], site="heron-quay")
database = open_export_database(settings.database_url)
worker = ExportWorker(database, Sources(database, settings, now), ExportSettings(Path(sys.argv[2])), now)
assert worker.run_once()
# Not ru_maxrss: a process inherits that of the one that started it.
print(re.search("VmHWM: +([0-9]+) kB", Path("/proc/self/status").read_text().replace("\\t", " "))[1])
"""


def peak_kib(side, rows_of_data, tmp_path):
    """Peak memory of a process that exports so many Devices of a kilobyte and a half."""
    from tests.bulk.test_since import write

    have = 0
    while have < rows_of_data:
        some = [f"d{number}" for number in range(have, min(have + 5000, rows_of_data))]
        write(side, some, "x" * 1500, side.clock())
        have += len(some)
    assert side.begin("/fhir/$export?_type=Device").status_code == 202
    run = [sys.executable, "-c", MEASURE, side.settings.database_url, str(tmp_path / "out")]
    return int(subprocess.run(run, check=True, capture_output=True, text=True, timeout=300).stdout)


def test_memory_stays_flat_when_the_export_is_eight_times_as_large(tmp_path):
    from tests.bulk.side import open_side

    peaks = []
    for count in (5_000, 40_000):
        folder = tmp_path / str(count)
        folder.mkdir()
        side = open_side(folder, f"sqlite:///{folder / 'a.sqlite3'}")
        peaks.append(peak_kib(side, count, folder))
        written = sum(path.stat().st_size for path in (folder / "out").rglob("*.ndjson"))
        side.close()
    assert written > 60_000_000
    assert peaks[1] - peaks[0] < 8_000  # KiB
