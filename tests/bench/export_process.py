"""One export by the worker of `serve` and `export-worker`; prints what it took of the machine, as JSON."""

import sys
import time
from datetime import UTC, datetime

import orjson

from service.config import settings_from
from service.registry.export.opening import export_worker
from service.store.export_reading import open_export_database
from tests.bench.processes import peak_mib


def main() -> int:
    """Run the job that waits; 1 where there is none."""
    settings = settings_from()
    database = open_export_database(settings.database_url, settings.synchronous)
    worker = export_worker(database, settings, lambda: datetime.now(UTC))
    start, busy = time.perf_counter(), time.process_time()
    found = worker.run_once()
    told = {"wall_s": time.perf_counter() - start, "processor_s": time.process_time() - busy, "peak_mib": peak_mib()}
    database.close()
    sys.stdout.buffer.write(orjson.dumps(told))
    return 0 if found else 1


if __name__ == "__main__":
    sys.exit(main())
