"""The command line: destinations, deliver, deliveries, against a receiver and a real database."""

import json
import os
import re
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from service.commands.deliveries_cli import deliver, deliveries_app
from service.commands.destinations_cli import destinations_app
from service.config import Settings
from service.delivery.running import deliver_until
from service.workflow import open_workflow
from tests.delivery.agreement import Sender, assert_agreement
from tests.delivery.receiver import receiver
from tests.delivery.ward import NAME, PATIENTS, SITE, open_ward, small_check, small_course
from tests.intake.documents import NOW

app = typer.Typer()
app.add_typer(destinations_app, name="destinations")
app.add_typer(deliveries_app, name="deliveries")
app.command()(deliver)


@pytest.fixture
def url(tmp_path, monkeypatch):
    address = f"sqlite:///{tmp_path}/ward.sqlite3"
    monkeypatch.setenv("DATABASE_URL", address)
    monkeypatch.setattr("service.commands.delivering.set_up_logging", lambda _settings: None)  # that of the suite stays
    return address


def call(*arguments):
    return CliRunner().invoke(app, [str(each) for each in arguments])


def add(running, *more, name=NAME, writing="put"):
    return call("destinations", "add", name, "--site", SITE, "--url", running.base, "--writing", writing, *more)


def record(url, *numbers):
    workflow = open_workflow(Settings(database_url=url))
    for number in numbers:
        workflow.record_course(small_course(number), NOW)
    workflow.close()


def as_json(*arguments):
    return json.loads(call(*arguments, "--json").stdout)


def test_from_adding_a_destination_to_what_arrived(url, putting):
    putting.server.patient(PATIENTS, "AB-1")
    record(url, 1)
    assert add(putting, "--backfill").stdout == "ward-record added; 1 courses wait for it\n"
    assert as_json("destinations", "list")[0]["waiting"] == 1
    done = call("deliver", "--once")
    assert (done.exit_code, done.stdout.splitlines()[-1]) == (0, "1 delivered")
    assert assert_agreement(Sender(url), putting.records, assigns_ids=False) > 30
    listed = as_json("deliveries", "--state", "delivered")
    assert [row["state"] for row in listed["deliveries"]] == ["delivered"]
    assert call("deliver", "--once").exit_code == 0


def test_a_held_course_is_shown_with_the_servers_words_redriven_and_kept_on_record(url, putting):
    add(putting)
    record(url, 1)
    assert call("deliver", "--once").exit_code == 1
    (held,) = as_json("deliveries", "--held")["deliveries"]
    assert held["course_id"] == "alder-1"
    assert "conditional reference to Patient" in held["refusal"]
    assert "1 held in 1 courses" in call("deliveries").stdout
    assert call("deliveries", "redrive", held["id"]).exit_code == 2, "a reason is asked for"
    assert call("deliveries", "redrive", held["id"], "--reason", " ").exit_code == 1
    putting.server.patient(PATIENTS, "AB-1")
    assert call("deliveries", "redrive", held["id"], "--reason", "admitted now", "--by", "M. Tarn").exit_code == 0
    assert call("deliver", "--once").exit_code == 0
    (decision,) = as_json("deliveries")["decisions"]
    told = (decision["what"], decision["course_id"], decision["decided_by"], decision["reason"], decision["rows"])
    assert told == ("redrive", "alder-1", "M. Tarn", "admitted now", 1)


def test_skipping_leaves_a_refused_write_out(url, putting):
    add(putting)
    record(url, 1, 2)
    call("deliver", "--once")
    assert call("deliveries", "skip", "--all", NAME, "--reason", "transferred elsewhere").exit_code == 0
    assert call("deliver", "--once").exit_code == 0
    assert [row["state"] for row in as_json("deliveries", "--state", "skipped")["deliveries"]] == ["skipped"] * 2
    assert call("deliveries", "skip", "1", "--reason", "again").exit_code == 1, "nothing is held any more"


def test_settings_are_changed_and_bad_ones_refused(url, putting):
    add(putting)
    assert call("destinations", "change", NAME, "--site", SITE, "--per-minute", 90, "--type", "Task").exit_code == 0
    (row,) = as_json("destinations", "list")
    assert (row["per_minute"], row["types"], row["writing"]) == (90, "Task", "put")
    assert call("destinations", "change", NAME, "--site", SITE, "--type", "").exit_code == 0
    assert as_json("destinations", "list")[0]["types"] == ""
    refused = call("destinations", "change", NAME, "--site", SITE, "--url", "http://record.example/fhir")
    assert refused.exit_code == 1
    assert "https://" in refused.stderr
    assert call("destinations", "change", "nobody", "--site", SITE, "--per-minute", 1).exit_code == 1
    assert add(putting).exit_code == 1, "a name is taken once"


def test_a_paused_destination_waits_and_a_removal_needs_a_reason(url, putting):
    putting.server.patient(PATIENTS, "AB-1")
    add(putting)
    call("destinations", "pause", NAME, "--site", SITE)
    record(url, 1)
    assert call("deliver", "--once").stdout == "nothing was due\n"
    refused = call("destinations", "remove", NAME, "--site", SITE)
    assert refused.exit_code == 1
    assert "1 writes are not delivered" in refused.stderr
    assert call("destinations", "remove", NAME, "--site", SITE, "--force").exit_code == 1
    call("destinations", "resume", NAME, "--site", SITE)
    assert call("deliver", "--once").exit_code == 0
    record(url, 2)
    gone = call("destinations", "remove", NAME, "--site", SITE, "--force", "--reason", "ward closed")
    assert gone.stdout == "ward-record removed; 1 writes dropped\n"
    assert as_json("destinations", "list") == []
    assert as_json("deliveries")["decisions"][0]["reason"] == "ward closed"


def test_check_tells_what_the_server_will_not_take_and_proposes_settings(url):
    with receiver(assigns_ids=True) as running:
        add(running)
        found = call("destinations", "check", NAME, "--site", SITE)
        assert found.exit_code == 1
        assert "Receiving ward 3, FHIR 4.0.1" in found.stdout
        assert re.search(r"problem: .*\bTask\b.*: our own ids are not taken \(updateCreate\)", found.stdout)
        assert f"destinations change {NAME} --site {SITE} --writing conditional" in found.stdout
        call("destinations", "change", NAME, "--site", SITE, "--writing", "conditional")
        assert call("destinations", "check", NAME, "--site", SITE).exit_code == 0


def test_check_of_a_server_that_is_not_there_says_so(url):
    call("destinations", "add", NAME, "--site", SITE, "--url", "http://127.0.0.1:9/fhir", "--writing", "put")
    found = call("destinations", "check", NAME, "--site", SITE)
    assert found.exit_code == 1
    assert "ConnectError" in found.stderr


def test_a_destination_with_a_malformed_code_table_is_refused(url, putting, tmp_path, monkeypatch):
    import shutil

    from service.terminology.tables import folder_of_tables

    folder = tmp_path / "mappings"
    shutil.copytree(folder_of_tables(), folder)
    (folder / "sites" / SITE).mkdir()
    (folder / "sites" / SITE / "codes.csv").write_text("nonsense\n")
    monkeypatch.setenv("CLOSURE_READINGS_MAPPINGS", str(folder))
    refused = add(putting)
    assert refused.exit_code == 1
    assert "codes.csv row 1" in refused.stderr


def test_the_running_process_takes_over_changes_and_ends_when_told(url, putting, tmp_path):
    putting.server.patient(PATIENTS, "AB-1")
    code = "from service.commands.delivering import deliver; raise SystemExit(deliver(False, 5.0, 0.05, 1.0, False))"
    environment = os.environ | {"DATABASE_URL": url}
    record(url)
    with (tmp_path / "serve.log").open("wb") as log:  # read by the log scan
        process = subprocess.Popen([sys.executable, "-c", code], env=environment, stderr=log)
    try:
        add(putting)
        record(url, 1)
        for _ in range(200):
            if as_json("deliveries", "--state", "delivered")["deliveries"]:
                break
            time.sleep(0.05)
        process.terminate()
        assert process.wait(timeout=20) == 0
    finally:
        process.kill()
    assert_agreement(Sender(url), putting.records, assigns_ids=False)
    lines = [json.loads(line) for line in (tmp_path / "serve.log").read_text("utf-8").splitlines()]
    assert any(line["event"].startswith(f"delivered to {NAME} of {SITE} after ") for line in lines)


def test_data_of_a_site_goes_to_the_destinations_of_that_site(url, putting):
    putting.server.patient(PATIENTS, "AB-1")
    putting.server.patient(PATIENTS, "AB-2")
    add(putting)
    call("destinations", "add", "north-record", "--site", "north", "--url", putting.base, "--writing", "put")
    record(url, 1)
    workflow = open_workflow(Settings(database_url=url, site="north"))
    workflow.record_course(small_course(2), NOW)
    workflow.close()
    done = call("deliver", "--once")
    assert (done.exit_code, done.stdout.splitlines()[-1]) == (0, "2 delivered")
    told = [json.dumps(bodies) for bodies in putting.records.bodies.values()]
    assert any("/sid/north" in each for each in told)
    (row,) = as_json("deliveries", "--state", "delivered", "--site", "north")["deliveries"]
    assert (row["destination"], row["course_id"]) == ("north-record", "alder-2")


def test_every_option_in_the_document_is_one_of_the_command_line():
    document = (Path(__file__).parents[2] / "docs/delivery.md").read_text("utf-8")
    named = set(re.findall(r"`(?:closure-readings )?[^`\n]*?(--[a-z-]+)", document))
    commands = typer.main.get_command(app)
    known = {
        option for each in every_command(commands) for one in each.params for option in (*one.opts, *one.secondary_opts)
    }
    assert named >= {"--writing", "--patients", "--backfill", "--timeout-s", "--reason"}
    assert named - known == set()


def every_command(command):
    return [command, *(found for each in getattr(command, "commands", {}).values() for found in every_command(each))]


def test_from_intake_to_the_receiver_takes_less_than_a_moment(tmp_path):
    """Measured and printed; asserted only that everything arrived, since a loaded machine is no fault of the code."""
    with open_ward(f"sqlite:///{tmp_path}/ward.sqlite3") as ward, receiver() as running:
        ward.clock.runs = True
        running.server.patient(PATIENTS, "AB-1")
        ward.destination(running.base)
        stop = threading.Event()
        thread = threading.Thread(target=deliver_until, args=(ward.delivering, stop))
        thread.start()
        ward.record(1)
        for number in range(2, 22):
            ward.add(1, small_check(number))
            time.sleep(0.15)
        for _ in range(100):
            if not ward.standing().waiting:
                break
            time.sleep(0.1)
        stop.set()
        thread.join()
        rows = ward.rows("delivered")
        assert len(rows) == 21
        took = sorted((row.settled_at - row.queued_at) / 1000 for row in rows)
        print(f"\nintake to delivery: median {took[10]:.0f} ms, 95 % {took[19]:.0f} ms, longest {took[-1]:.0f} ms")
