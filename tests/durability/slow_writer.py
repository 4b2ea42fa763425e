"""A process that writes with a clock of its own and takes its time before each commit.

Run as `python -m tests.durability.slow_writer DATABASE_URL NAME COUNT CLOCK_OFFSET_S`: each write makes one Observation
of its own and a version of one that all writers share; one line on standard output for each acknowledged write.
"""

import os
import random
import sys
import time
from datetime import UTC, datetime, timedelta

from service.store import open_store
from tests.store.samples import SITE, draft, observation


def main(database_url: str, name: str, count: int, offset_s: float) -> None:
    store = open_store(database_url)
    chance = random.Random(name)
    for number in range(count):
        with store.write(SITE, datetime.now(UTC) + timedelta(seconds=offset_s)) as unit:
            own = observation(number, patient=name)
            unit.save_resources([draft(own), draft(observation(0, note=[{"text": own["id"]}]))])
            time.sleep(chance.uniform(0, 0.004))  # a commit that takes long: others have read the clock meanwhile
        os.write(1, f"{own['id']}\n".encode())
        time.sleep(chance.uniform(0, 0.004))
    store.close()


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]), float(sys.argv[4]))
