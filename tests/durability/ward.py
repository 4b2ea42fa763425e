"""Several people charting at once over HTTP who send again what was not acknowledged, and the look at what is there."""

import os
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import requests

from service import strict_json
from service.config import Settings
from service.store.backups import damage_of
from service.workflow import open_workflow
from tests.intake.documents import NOW, check, course_file, installation

FIRST = datetime.fromisoformat("2026-03-02T12:00:00+01:00")


@dataclass
class Charting:
    """What was acknowledged, entry by entry, and every status that was answered."""

    acknowledged: set[tuple[str, str]] = field(default_factory=set)
    statuses: Counter[int] = field(default_factory=Counter)
    said: set[str] = field(default_factory=set)  # the words of what was refused
    stop: threading.Event = field(default_factory=threading.Event)

    def send(self, session: requests.Session, address: str, document: Any) -> bool:
        """One attempt; true when it was acknowledged."""
        try:
            answer = session.post(
                address, data=strict_json.write(document), headers={"Content-Type": "application/json"}, timeout=30
            )
        except requests.RequestException:
            self.statuses[0] += 1
            return False
        self.statuses[answer.status_code] += 1
        assert answer.status_code in (200, 201, 500, 503), answer.text
        if not answer.ok:
            self.said.add(answer.json()["detail"])
        return answer.ok

    def chart(self, base: Callable[[], str], course_id: str, count: int, prefix: str = "ch") -> None:
        """Open a course and add checks, each again until it is acknowledged, as an integration does."""
        with requests.Session() as session:
            documents = [("/intake/courses", course_file(installation(), course_id=course_id), "in-1")]
            for number in range(count):
                row = check(f"{prefix}-{number}", (FIRST + timedelta(minutes=10 * number)).isoformat())
                documents.append((f"/intake/courses/{course_id}/entries", row, f"{prefix}-{number}"))
            for path, document, entry_id in documents:
                while not self.send(session, base() + path, document):
                    if self.stop.is_set():
                        return
                    time.sleep(0.05)
                self.acknowledged.add((course_id, entry_id))
                if self.stop.is_set():
                    return


def command(database_url: str, *arguments: str) -> "subprocess.CompletedProcess[bytes]":
    """Run a command of the command line on a database."""
    environment = os.environ | {"DATABASE_URL": database_url}
    return subprocess.run([sys.executable, "-m", "service", *arguments], env=environment, capture_output=True)


def at_once(works: Sequence[Callable[[], None]]) -> list[threading.Thread]:
    """Start each in a thread of its own."""
    threads = [threading.Thread(target=work) for work in works]
    for thread in threads:
        thread.start()
    return threads


def assert_nothing_lost(database_url: str, acknowledged: set[tuple[str, str]]) -> int:
    """Every acknowledged entry is there once and the database is sound; how many entries there are."""
    charted = sound_record(database_url, {course_id for course_id, _ in acknowledged})
    assert acknowledged <= charted
    return len(charted)


def sound_record(database_url: str, course_ids: Collection[str], site: str = "demo") -> set[tuple[str, str]]:
    """The entries (course, entry) of these courses; none is there twice, and the projections equal a rebuild."""
    assert damage_of(database_url) == []
    workflow = open_workflow(Settings(database_url=database_url, site=site))
    try:
        charted: Counter[tuple[str, str]] = Counter()
        for course_id in sorted(course_ids):
            charted.update((course_id, one["entry_id"]) for one in workflow.course_view(course_id, NOW)["entries"])
        assert list(workflow.differences(NOW)) == []
    finally:
        workflow.close()
    assert set(charted.values()) <= {1}
    return set(charted)
