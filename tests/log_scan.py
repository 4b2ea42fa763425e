"""Reads every log line of a whole run, at every level, and fails the run when one names an invented person.

Wired by `from tests.log_scan import pytest_configure` in tests/conftest.py. Lines are looked at as the service would
write them with its level at DEBUG; the files `serve.log` of services that ran in a process of their own are read at the
end. What is looked for: names, identifiers, dates of birth, notes and course ids of the examples and of the tests.
"""

import ast
import json
import logging
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.logs import heard_from, line_formatter, set_levels

ROOT = Path(__file__).resolve().parents[1]
OF_A_PERSON = frozenset({"family", "given", "note", "text", "birth_date", "display", "description", "course_id"})
OF_CODES_TOO = frozenset({"text", "display", "description"})  # in a test more often of a code than of a person
SHORTEST = 5
# Words of the language or of the program, which say nothing of anybody when a log holds them.
NO_SECRET = frozenset({"Other", "other", "course", "unknown", "string", "value", "nobody"})
# The programs that tests ask with, not the service: they log the addresses they ask for.
ASKING = frozenset({"httpx", "httpx2", "httpcore", "httpcore2", "urllib3", "aiohttp", "fhirclient", "schemathesis"})
_DATE = re.compile(r"\d{4}-\d\d-\d\d")


def invented(root: Path = ROOT) -> dict[str, str]:
    """What must be in no log, with the file that it stands in."""
    found: dict[str, str] = {}
    for file in sorted([*root.glob("examples/*/course*.json"), root / "service/api/example-course.json"]):
        found |= dict.fromkeys(_in_document(json.loads(file.read_text("utf-8"))), str(file.relative_to(root)))
    for file in sorted(root.glob("tests/**/*.py")):
        found |= dict.fromkeys(_in_source(file.read_text("utf-8")), str(file.relative_to(root)))
    return {word: source for word, source in found.items() if _tells(word)}


def _tells(word: str) -> bool:
    if _DATE.fullmatch(word):
        return word < "2020"  # a date of birth, not a day on which a log may be written
    return len(word) >= SHORTEST and word not in NO_SECRET and any(each.isalpha() for each in word)


def _in_document(value: Any, key: str = "") -> Iterator[str]:
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from _in_document(inner, "family" if name == "value" and "system" in value else name)
    elif isinstance(value, list):
        for inner in value:
            yield from _in_document(inner, key)
    elif isinstance(value, str) and key in OF_A_PERSON:
        yield value.strip()


def _in_source(text: str) -> Iterator[str]:
    """The same from literals and keyword arguments of a test, constants of its module among them."""
    tree = ast.parse(text)
    constants = dict(_constants(tree))
    for node in ast.walk(tree):
        if isinstance(node, ast.Dict):
            pairs = [
                (key.value, value) for key, value in zip(node.keys, node.values, strict=True)
                if isinstance(key, ast.Constant)
            ]  # fmt: skip
            identifier = any(key == "system" for key, _ in pairs)
            for key, value in pairs:
                if key in OF_A_PERSON - OF_CODES_TOO or (key == "value" and identifier):
                    yield from _texts(value, constants)
        elif isinstance(node, ast.keyword) and node.arg in OF_A_PERSON - OF_CODES_TOO:
            yield from _texts(node.value, constants)


def _constants(tree: ast.Module) -> Iterator[tuple[str, str]]:
    for node in tree.body:
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name | ast.Tuple):
            targets = getattr(node.targets[0], "elts", node.targets)
            values = node.value.elts if isinstance(node.value, ast.Tuple) else [node.value]
            for target, value in zip(targets, values, strict=False):
                if isinstance(value, ast.Constant) and isinstance(value.value, str):
                    yield target.id, value.value


def _texts(node: ast.expr, constants: dict[str, str]) -> Iterator[str]:
    for each in node.elts if isinstance(node, ast.List | ast.Tuple) else [node]:
        if isinstance(each, ast.Name) and each.id in constants:
            yield constants[each.id].strip()
        elif isinstance(each, ast.Constant) and isinstance(each.value, str):
            yield each.value.strip()


class LogScan(logging.Handler):
    """Holds every line against what must not be told; `leaks` says where it was."""

    def __init__(self, words: dict[str, str]) -> None:
        super().__init__(logging.NOTSET)
        self._words = dict(words)
        as_written = {json.dumps(word, ensure_ascii=False)[1:-1]: source for word, source in words.items()}
        self._words |= as_written
        longest_first = sorted(self._words, key=len, reverse=True)
        self._any = re.compile(rf"(?<!\w)(?:{'|'.join(map(re.escape, longest_first))})(?!\w)")
        self.setFormatter(line_formatter("json"))
        self.leaks: list[str] = []
        self.lines = 0
        self.test = "outside a test"

    def emit(self, record: logging.LogRecord) -> None:
        if record.name.partition(".")[0] in ASKING or record.levelno < heard_from(record.name, logging.DEBUG):
            return
        self.lines += 1
        self.look(self.format(record), f"{self.test}: {record.name} at {Path(record.pathname).name}:{record.lineno}")

    def look(self, line: str, place: str) -> None:
        for found in self._any.finditer(line):
            self.leaks.append(f"{place}: {found[0]!r} (invented in {self._words[found[0]]})")


class ScannedRun:
    """The plugin: one scan a run."""

    def __init__(self, config: pytest.Config) -> None:
        self.scan = LogScan(invented())
        self._config = config
        logging.getLogger().addHandler(self.scan)
        set_levels(logging.DEBUG)

    def pytest_runtest_logstart(self, nodeid: str) -> None:
        self.scan.test = nodeid

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        logging.getLogger().removeHandler(self.scan)
        for file in sorted(self._folder().rglob("serve.log")) if self._folder() else []:
            for number, line in enumerate(file.read_text("utf-8", errors="replace").splitlines(), 1):
                self.scan.lines += 1
                self.scan.look(line, f"{file.parent.name}/{file.name}:{number}")
        if hasattr(self._config, "workeroutput"):  # one of several processes: the first one adds up
            self._config.workeroutput["log-scan"] = (self.scan.lines, self.scan.leaks)
        if self.scan.leaks:
            session.exitstatus = pytest.ExitCode.TESTS_FAILED

    @pytest.hookimpl(optionalhook=True)
    def pytest_testnodedown(self, node: Any) -> None:
        """A process of a run with several has come to its end."""
        lines, leaks = getattr(node, "workeroutput", {}).get("log-scan", (0, []))
        self.scan.lines += lines
        self.scan.leaks += leaks

    def _folder(self) -> Any:
        factory = getattr(self._config, "_tmp_path_factory", None)  # the one place where pytest keeps it
        return getattr(factory, "_basetemp", None)

    def pytest_terminal_summary(self, terminalreporter: Any) -> None:
        if self.scan.leaks:
            terminalreporter.section("log lines that name somebody", red=True)
            for leak in self.scan.leaks:
                terminalreporter.write_line(leak)
        terminalreporter.write_line(f"{self.scan.lines} log lines read, {len(self.scan.leaks)} name somebody")


def pytest_configure(config: pytest.Config) -> None:
    config.pluginmanager.register(ScannedRun(config), "log-scan")
