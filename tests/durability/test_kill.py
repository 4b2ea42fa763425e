"""Accepted means on disk: the process is killed at any moment under load, 50 times; nothing acknowledged is lost."""

import random
import signal
import threading
from datetime import datetime, timedelta

import pytest
import requests

from service import strict_json
from tests.durability.faults import measured
from tests.intake.documents import check, course_file, installation
from tests.live import start_service

KILLS = 50
WRITERS = 3


class Ward:
    """Several writers charting at once; what was acknowledged is remembered."""

    def __init__(self) -> None:
        self.acknowledged: list[tuple[str, str]] = []
        self.stop = threading.Event()

    def write(self, base: str, writer: str) -> None:
        """Open a course and add checks until the service dies."""
        session = requests.Session()
        session.headers["Content-Type"] = "application/json"
        course_id = f"course-{writer}"
        at = datetime.fromisoformat("2026-03-02T12:00:00+01:00")
        try:
            body = strict_json.write(course_file(installation(), course_id=course_id))
            if session.post(f"{base}/intake/courses", data=body, timeout=10).ok:
                self.acknowledged.append((course_id, "in-1"))
            for number in range(400):
                if self.stop.is_set():
                    return
                at += timedelta(minutes=10)
                row = check(f"ch-{number}", at.isoformat())
                answer = session.post(
                    f"{base}/intake/courses/{course_id}/entries", data=strict_json.write(row), timeout=10
                )
                if answer.ok:
                    self.acknowledged.append((course_id, f"ch-{number}"))
        except requests.RequestException:
            return  # the service was killed while this one waited for its answer


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_killed_at_any_moment_no_acknowledged_entry_is_lost_and_none_is_half_written(tmp_path):
    chance = random.Random(20260302)
    url = f"sqlite:///{tmp_path}/ward.sqlite3"
    ward = Ward()
    for kill in range(KILLS):
        live = start_service(tmp_path, url)
        writers = [
            threading.Thread(target=ward.write, args=(live.base, f"{kill}-{writer}")) for writer in range(WRITERS)
        ]
        for writer in writers:
            writer.start()
        threading.Event().wait(chance.uniform(0.05, 0.5))
        live.process.send_signal(signal.SIGKILL)
        live.process.wait(timeout=20)
        ward.stop.set()
        for writer in writers:
            writer.join()
        ward.stop.clear()
    assert len(ward.acknowledged) > KILLS
    measured("service", url, KILLS, set(ward.acknowledged))
