"""A process that writes until it is killed, and says after each commit what it was told is on disk.

Run as `python -m tests.store.writer DATABASE_URL COURSE_ID PREFIX COUNT`: each write adds an entry and thirty resources
and amends one resource that all writes share; one line on standard output for each acknowledged write.
"""

import os
import sys
from datetime import UTC, datetime

from service.store import open_store
from tests.store.samples import SITE, check, course, draft, entry, observation


def main(database_url: str, course_id: str, prefix: str, count: int) -> None:
    store = open_store(database_url)
    for number in range(count):
        entry_id = f"{prefix}-{number}"
        resources = [draft(each, course_id, entry_id) for each in check(course_id, entry_id, "p-1", "2024-05-01")]
        shared = draft(observation(0, note=[{"text": entry_id}]), course_id, entry_id)
        with store.write(SITE, datetime.now(UTC)) as unit:
            if unit.course(course_id) is None:
                unit.add_course(course(course_id))
            unit.add_entries(course_id, [entry(entry_id)])
            saved = unit.save_resources([*resources, shared])
        os.write(1, f"{entry_id} {saved[-1].version}\n".encode())
    store.close()


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], sys.argv[3], int(sys.argv[4]))
