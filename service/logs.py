"""Logging: one pipeline for the service and its libraries, a line an event, nothing of a patient in any line.

Whoever logs uses the standard library; structlog writes JSON lines, or a form for people where standard error is a
terminal. What a library says is not ours to vouch for: of its message the template is shown and not what was filled in,
and it is heard from warnings on, since below that it logs rows, addresses and headers. Of a fault its type and places
are shown, never its text.
"""

import json
import logging
import os
import sys
import threading
import traceback
import warnings
from collections.abc import Mapping, MutableMapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, TextIO

import orjson
import structlog
from structlog.stdlib import ProcessorFormatter

Form = Literal["json", "console"]
LEVELS = {"debug": logging.DEBUG, "info": logging.INFO, "warning": logging.WARNING, "error": logging.ERROR}
# What may stand beside a message, and nothing else: `extra` of a library is dropped.
FIELDS = (
    *("method", "route", "status", "duration_ms", "request_id", "client", "site", "broken", "reason"),
    *("address", "version", "category", "place"),
)
_OWN = "service"
_HEARD_FROM_INFO = ("uvicorn", "alembic.runtime.migration")  # start, stop, schema steps; read through: they name nobody
_PACKAGE = Path(__file__).resolve().parent
_PLACES = 6

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class LogSettings:
    """`form` None: by what standard error is."""

    form: Form | None = None
    level: int = logging.INFO


def log_settings_from(environment: Mapping[str, str] = os.environ) -> LogSettings:
    """Read CLOSURE_READINGS_LOG and CLOSURE_READINGS_LOG_LEVEL; ValueError names what cannot be used."""
    form, level = environment.get("CLOSURE_READINGS_LOG") or None, environment.get("CLOSURE_READINGS_LOG_LEVEL", "info")
    if form not in (None, "json", "console"):
        raise ValueError("CLOSURE_READINGS_LOG is json or console")
    if level not in LEVELS:
        raise ValueError(f"CLOSURE_READINGS_LOG_LEVEL is one of {', '.join(LEVELS)}")
    return LogSettings(form, LEVELS[level])  # type: ignore[arg-type]  # narrowed by the test above, which mypy cannot see


def set_up_logging(settings: LogSettings, stream: TextIO | None = None) -> None:
    """Send every log of this process to `stream` (standard error), and what nobody caught with it."""
    stream = stream or sys.stderr
    form = settings.form or ("console" if stream.isatty() else "json")
    handler = logging.StreamHandler(stream)
    handler.setFormatter(line_formatter(form, colours=stream.isatty()))
    root = logging.getLogger()
    root.handlers[:] = [handler]
    for name in (*_HEARD_FROM_INFO, "uvicorn.error", "uvicorn.access", "uvicorn.asgi"):
        logger = logging.getLogger(name)
        logger.handlers.clear()
        logger.propagate = True
        logger.setLevel(logging.NOTSET)
    set_levels(settings.level)
    sys.excepthook = _uncaught
    threading.excepthook = _uncaught_in_thread
    sys.unraisablehook = _uncaught_in_cleaning
    warnings.showwarning = _warned  # type: ignore[assignment]  # it takes the rest, whatever its names
    logging.raiseExceptions = False  # a message that cannot be formatted would be printed with its arguments


def set_levels(level: int) -> None:
    """Own loggers from `level` on, libraries as `heard_from` says."""
    logging.getLogger().setLevel(heard_from("", level))
    for name in (_OWN, *_HEARD_FROM_INFO):
        logging.getLogger(name).setLevel(heard_from(name, level))


def heard_from(name: str, level: int) -> int:
    """The level from which a logger is written when the service's own is `level`."""
    if _is_of((_OWN,), name):
        return level
    return max(level, logging.INFO if _is_of(_HEARD_FROM_INFO, name) else logging.WARNING)


def _is_of(families: tuple[str, ...], name: str) -> bool:
    return any(name == family or name.startswith(f"{family}.") for family in families)


def line_formatter(form: Form, colours: bool = False) -> ProcessorFormatter:
    """Makes the line of a record."""
    renderer: Any = (
        structlog.processors.JSONRenderer(serializer=_json)
        if form == "json"
        else structlog.dev.ConsoleRenderer(colors=colours)
    )
    return ProcessorFormatter(
        foreign_pre_chain=[
            _when_and_who,
            structlog.contextvars.merge_contextvars,
            structlog.stdlib.ExtraAdder(allow=FIELDS),
            _vouched_for,
            _fault_without_text,
        ],
        processors=[ProcessorFormatter.remove_processors_meta, renderer],
        keep_exc_info=False,
        keep_stack_info=False,
    )


def told(fault: BaseException) -> str:
    """Types of a fault and of what caused it, and the places in this package it came through, innermost first."""
    kinds = [type(fault).__name__]
    deepest = fault
    while (cause := deepest.__cause__) is not None and len(kinds) < _PLACES:
        kinds.append(type(cause).__name__)
        deepest = cause
    frames = traceback.extract_tb(deepest.__traceback__)
    own = [frame for frame in frames if Path(frame.filename).is_relative_to(_PACKAGE)]
    places = [f"{Path(each.filename).relative_to(_PACKAGE)}:{each.lineno}" for each in reversed(own[-_PLACES:])]
    return f"{' from '.join(kinds)} at {', '.join(places) or 'no place of this service'}"


Event = MutableMapping[str, Any]


def _when_and_who(_logger: Any, _name: str, event: Event) -> Event:
    record: logging.LogRecord = event["_record"]
    event["at"] = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
    event["level"], event["logger"] = record.levelname.lower(), record.name
    return event


def _vouched_for(_logger: Any, _name: str, event: Event) -> Event:
    """Keep of a library's message the template, of every message from outside the first line."""
    record: logging.LogRecord = event["_record"]
    if not _is_of((_OWN,), record.name):
        text = str(event["event"]) if _is_of(_HEARD_FROM_INFO, record.name) else str(record.msg)
        event["event"] = text.strip().partition("\n")[0]
    return event


def _fault_without_text(_logger: Any, _name: str, event: Event) -> Event:
    found = event.pop("exc_info", None)
    event.pop("stack_info", None)
    if found and isinstance(found, tuple) and found[1] is not None:
        event["fault"] = told(found[1])
    return event


def _json(event: Event, **_given: Any) -> str:
    try:
        return orjson.dumps(event, default=str).decode()
    except TypeError:  # half of a surrogate pair, from the name of a file: escaped it can be written
        return json.dumps(event, default=str)


def _uncaught(kind: type[BaseException], fault: BaseException, trace: TracebackType | None) -> None:
    if issubclass(kind, KeyboardInterrupt):
        sys.__excepthook__(kind, fault, trace)
    else:
        log.critical("the process ends by a fault: %s", told(fault))


def _uncaught_in_thread(hook: threading.ExceptHookArgs) -> None:
    if hook.exc_value is not None:
        log.critical("a thread ended by a fault: %s", told(hook.exc_value))


def _uncaught_in_cleaning(hook: Any) -> None:
    if hook.exc_value is not None:
        log.error("a fault while something was cleared away: %s", told(hook.exc_value))


def _warned(_text: Warning | str, category: type[Warning], filename: str, line: int, *_more: Any) -> None:
    log.warning("a library warned", extra={"category": category.__name__, "place": f"{Path(filename).name}:{line}"})
