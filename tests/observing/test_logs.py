"""The log line: what is in it, and that nothing of a patient can get in by a library, a fault or a field."""

import asyncio
import contextvars
import io
import json
import logging
import sys
import threading
import warnings

import pytest
from anyio import to_thread
from structlog.contextvars import bound_contextvars

from service.logs import LogSettings, heard_from, line_formatter, log_settings_from, set_levels, set_up_logging, told

NAME = "Ingrid Moen-Tveit"


@pytest.fixture
def written():
    """Everything that is logged, as lines of a process with its logging set up; the suite's own is put back."""
    root = logging.getLogger()
    names = ("", "service", "uvicorn", "alembic.runtime.migration")
    before = root.handlers[:], {name: logging.getLogger(name).level for name in names}
    hooks = sys.excepthook, threading.excepthook, sys.unraisablehook, warnings.showwarning, logging.raiseExceptions
    stream = io.StringIO()
    set_up_logging(LogSettings("json", logging.DEBUG), stream)
    yield lambda: [json.loads(line) for line in stream.getvalue().splitlines()]
    root.handlers[:] = before[0]
    for name, level in before[1].items():
        logging.getLogger(name).setLevel(level)
    sys.excepthook, threading.excepthook, sys.unraisablehook, warnings.showwarning, logging.raiseExceptions = hooks


def test_a_line_says_when_who_how_grave_and_what(written):
    logging.getLogger("service.x").warning("%d entries wait", 3)
    (line,) = written()
    assert line.pop("at").endswith("+00:00")
    assert line == {"level": "warning", "logger": "service.x", "event": "3 entries wait"}


def test_a_line_is_written_also_of_what_is_no_text(written):
    logging.getLogger("service.x").error("cannot read %s", "\udce9.json")
    assert written()[0]["event"] == "cannot read \udce9.json"


def test_of_extra_fields_only_the_known_ones_are_written(written):
    logging.getLogger("service.x").info("request", extra={"route": "/fhir/{id}", "path": f"/fhir/{NAME}"})
    assert written()[0]["route"] == "/fhir/{id}"
    assert NAME not in json.dumps(written())


def test_of_a_fault_types_and_places_are_written_and_no_text(written):
    try:
        try:
            json.loads(NAME)
        except ValueError as inner:
            raise KeyError(NAME) from inner
    except KeyError:
        logging.getLogger("service.x").exception("it failed")
        logging.getLogger("uvicorn.error").exception("Exception in ASGI application\n")
        logging.getLogger("asyncio").error("Task exception was never retrieved\nfuture: <Task %r>", NAME, exc_info=True)
    lines = written()
    assert [line["fault"].partition(" at ")[0] for line in lines] == ["KeyError from JSONDecodeError"] * 3
    assert [line["event"] for line in lines][1:] == [
        "Exception in ASGI application", "Task exception was never retrieved",
    ]  # fmt: skip
    assert "Moen" not in json.dumps(lines)


def test_of_a_librarys_message_what_was_filled_in_is_left_out(written):
    logging.getLogger("psycopg").warning("error ignored in rollback of %s", NAME)
    logging.getLogger("joserfc").error(f"a first line\n{NAME}")
    assert [line["event"] for line in written()] == ["error ignored in rollback of %s", "a first line"]


@pytest.mark.parametrize("name", ["sqlalchemy.engine.Engine", "sqlalchemy.pool", "httpcore", "asyncio", "h11"])
def test_a_library_is_not_heard_below_a_warning_whatever_the_level(written, name):
    logging.getLogger(name).debug("Row %r", NAME)
    logging.getLogger(name).info("SELECT %s", NAME)
    assert written() == []


def test_the_schema_steps_and_the_servers_start_are_heard(written):
    logging.getLogger("alembic.runtime.migration").info("Running %s", "upgrade -> 0001")
    logging.getLogger("uvicorn.error").info("Application startup complete.")
    logging.getLogger("uvicorn.error").debug(NAME)
    assert [line["event"] for line in written()] == ["Running upgrade -> 0001", "Application startup complete."]


def test_what_nobody_caught_is_a_line_without_its_text(written, capsys):
    thread = threading.Thread(target=lambda: {}[NAME])
    thread.start()
    thread.join()
    sys.excepthook(ValueError, ValueError(NAME), None)
    warnings.showwarning(UserWarning(NAME), UserWarning, "/a/b.py", 3)
    logging.getLogger("service.x").info("%d", NAME)  # cannot be formatted
    first, second, third = written()
    assert (first["level"], second["level"]) == ("critical", "critical")
    assert "KeyError" in first["event"]
    assert "ValueError" in second["event"]
    assert (third["category"], third["place"]) == ("UserWarning", "b.py:3")
    assert "Moen" not in json.dumps(written())
    assert "Moen" not in capsys.readouterr().err


def test_a_worker_threads_line_carries_the_id_of_its_request(written):
    async def serve(number):
        with bound_contextvars(request_id=f"r-{number}"):
            await asyncio.sleep(0)
            await to_thread.run_sync(logging.getLogger("service.x").info, f"in a thread {number}")

    async def all_of_them():
        await asyncio.gather(*(serve(number) for number in range(20)))

    contextvars.Context().run(asyncio.run, all_of_them())
    assert len(written()) == 20
    assert all(line["event"] == f"in a thread {line['request_id'].removeprefix('r-')}" for line in written())


def test_lines_for_people_hold_the_same(written):
    record = logging.LogRecord("psycopg", logging.WARNING, "x.py", 1, "gone: %s", (NAME,), None)
    line = line_formatter("console").format(record)
    assert "gone: %s" in line
    assert "Moen" not in line


def test_levels_are_set_for_the_service_and_not_for_its_libraries(written):
    set_levels(logging.ERROR)
    logging.getLogger("service.x").warning("unheard")
    logging.getLogger("uvicorn.error").info("unheard")
    assert written() == []
    assert heard_from("service.api", logging.DEBUG) == logging.DEBUG
    assert heard_from("sqlalchemy.engine", logging.DEBUG) == logging.WARNING


@pytest.mark.parametrize(
    "given", [{"CLOSURE_READINGS_LOG": "xml"}, {"CLOSURE_READINGS_LOG_LEVEL": "loud"}], ids=["form", "level"]
)
def test_a_setting_that_cannot_be_used_is_refused_by_name(given):
    with pytest.raises(ValueError, match=next(iter(given))):
        log_settings_from(given)


def test_settings_are_read_from_the_environment():
    given = {"CLOSURE_READINGS_LOG": "console", "CLOSURE_READINGS_LOG_LEVEL": "debug"}
    assert log_settings_from(given) == LogSettings("console", logging.DEBUG)
    assert log_settings_from({}) == LogSettings(None, logging.INFO)


def test_a_fault_that_never_was_in_this_service_says_so():
    assert told(ValueError(NAME)) == "ValueError at no place of this service"
