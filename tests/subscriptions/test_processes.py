"""`notify` as processes of its own: two at once, one killed in the middle; the endpoint gets every event, no gap."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from sqlalchemy import update

from service.store.rows import Saved
from service.store.subscription_rows import note_events
from service.store.subscription_tables import subscriptions
from service.subscriptions.endpoints import Endpoints
from tests.subscriptions.conftest import extension

EVENTS = 24
LAUNCH = "from service.commands.notifying import notify; raise SystemExit(notify({once}))"


@contextmanager
def endpoint(delay_s=0.02, bundles=None):
    """An HTTP endpoint on loopback; yields its address and the numbers of the events that it took, as they came.

    `bundles` is filled with what came, whole.
    """
    got, lock = [], threading.Lock()

    class Taking(BaseHTTPRequestHandler):
        def do_POST(self):
            bundle = json.loads(self.rfile.read(int(self.headers["content-length"])))
            named = bundle["entry"][0]["resource"]["parameter"]
            time.sleep(delay_s)  # so that a kill meets an attempt
            with lock:
                if bundles is not None:
                    bundles.append(bundle)
                got.extend(int(e["part"][0]["valueString"]) for e in named if e["name"] == "notification-event")
            self.send_response(200)
            self.send_header("content-length", "0")
            self.end_headers()

        def log_message(self, *_):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Taking)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
    thread.start()
    try:
        yield f"127.0.0.1:{server.server_address[1]}", got
    finally:
        server.shutdown()
        server.server_close()
        thread.join(5)


def notify(side, host, once, log):
    environment = os.environ | {
        "DATABASE_URL": side.settings.database_url,
        "CLOSURE_READINGS_SUBSCRIPTION_HOSTS": host,
    }
    return subprocess.Popen([sys.executable, "-c", LAUNCH.format(once=once)], env=environment, stderr=log)


def note(side, numbers):
    """So many events, each committed by itself."""
    for number in numbers:
        panel = {"resourceType": "Observation", "id": f"o-{number}", "code": {"coding": [code_of_topic(side)]}}
        with side.workflow.store.write(side.settings.site, side.clock()) as unit:
            note_events(unit, [Saved("Observation", f"o-{number}", 1, True, json.dumps(panel).encode())])


def code_of_topic(side):
    system, code = side.terms.vocabulary.topic("check-charted").code
    return {"system": system, "code": code}


def wait_for(condition, within_s=30):
    until = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < until
        time.sleep(0.01)


def let_the_lease_run_out(side):
    with side.database.write() as connection:
        connection.execute(update(subscriptions).values(held_until=0))


def test_two_processes_of_which_one_is_killed_tell_every_event_without_a_gap(side, tmp_path):
    side.clock.now = datetime.now(UTC)  # the processes have the clock of the machine
    with endpoint() as (host, got), (tmp_path / "serve.log").open("ab") as log:  # read by the log scan
        object.__setattr__(side.terms, "endpoints", Endpoints(frozenset({host})))
        one_at_once = extension("backport-max-count", valuePositiveInt=1)
        id_ = side.make(endpoint=f"http://{host}/in", extension=[one_at_once])
        assert notify(side, host, once=True, log=log).wait(timeout=60) == 0
        assert side.read(id_)["status"] == "active"
        first, second = notify(side, host, False, log), notify(side, host, False, log)
        note(side, range(EVENTS))
        wait_for(lambda: len(got) >= 3)
        os.kill(first.pid, signal.SIGKILL)
        first.wait()
        let_the_lease_run_out(side)
        wait_for(lambda: EVENTS in got)
        second.terminate()
        assert second.wait(timeout=20) == 0
    in_order = [number for place, number in enumerate(got) if number not in got[:place]]
    assert in_order == list(range(1, EVENTS + 1)), "first arrivals come in order"
    assert len(got) <= EVENTS + 1, "only what was in the air at the kill comes twice"
    assert side.read(id_)["status"] == "active"
