"""The tables of docs/performance.md, made from a run."""

from collections.abc import Iterator
from datetime import datetime
from textwrap import fill
from typing import Any

from tests.bench.goals import GOALS
from tests.bench.run import Found

BEGIN, END = "<!-- bench: begin -->", "<!-- bench: end -->"
NOT_MEASURED = "not measured in this run"
_GROWTH = (
    "engine", "resources", "search p99 / smallest store", "in processor time", "p50", "ms at p99",
    "check / in an empty store", "checks a second", "exported", "us each", "export / copy",
    "/ copy that waits for the disk", "peak MiB",
)  # fmt: skip


def put_into(document: str, found: Found) -> str:
    """The document with the tables of a run between its marks."""
    before, begin, rest = document.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not end:
        raise ValueError(f"the document has no {BEGIN} with an {END} after it")
    return f"{before}{begin}\n{markdown(found)}\n{end}{after}"


def made(found: Found) -> str:
    """When, for how long, on what, and whether the machine was quiet."""
    began, ended = (datetime.fromisoformat(found[name]) for name in ("began_at", "ended_at"))
    minutes = (ended - began).total_seconds() / 60
    on, busy = found["machine"], found["load"]
    return (
        f"Measured on {began:%Y-%m-%d}, size {found['size']}, {minutes:.0f} minutes; {on['system']} {on['machine']}, "
        f"{on['processor']}, {on['cores']} cores, {on['memory_gib']} GiB; load average (1, 5, 15 minutes) "
        f"{_listed(busy['at_start'])} at the start and {_listed(busy['at_end'])} at the end. "
        + ", ".join(f"{name} {version}" for name, version in found["versions"].items())
        + "."
    )


def markdown(found: Found) -> str:
    """The tables of the document."""
    return "\n".join([fill(made(found), 128), "", *_goals(found), "", *_growth(found), "", *_figures(found)])


def _goals(found: Found) -> Iterator[str]:
    yield "| # | ratio | goal | measured | | what limits it next | what could not be had for less |"
    yield "| --- | --- | --- | --- | --- | --- | --- |"
    for goal in found["goals"]:
        known = GOALS[goal["goal"]]
        cells = [goal["goal"], goal["words"], f"{goal['bound']:g}", _ratios(goal), _verdict(goal)]
        yield f"| {' | '.join([*cells, known.limit, known.physical])} |"


def _ratios(goal: Found) -> str:
    beside = GOALS[goal["goal"]].beside
    told = []
    for one in goal["measured"]:
        more = [f"{words} {_value(one['detail'][name])}" for name, words in beside.items() if name in one["detail"]]
        told.append(f"{one['engine']} {_number(one['ratio'])} {in_brackets(', '.join(more))}".strip())
    return "; ".join(told) or NOT_MEASURED


def _verdict(goal: Found) -> str:
    verdicts = {one["engine"]: _judged(one, goal["bound"]) for one in goal["measured"]}
    if len(set(verdicts.values())) < 2:
        return next(iter(verdicts.values()), "")
    return ", ".join(f"{engine} {verdict}" for engine, verdict in verdicts.items())


def _judged(one: Found, bound: float) -> str:
    """`open` where the bound lies within what chance makes of the ratio."""
    low, high = one["detail"].get("interval", (one["ratio"], one["ratio"]))
    if low < bound < high:
        return "open"
    return "met" if one["met"] else "missed"


def _growth(found: Found) -> Iterator[str]:
    by_goal = {goal["goal"]: {one["engine"]: one["detail"] for one in goal["measured"]} for goal in found["goals"]}
    yield f"| {' | '.join(_GROWTH)} |"
    yield "|" + " --- |" * len(_GROWTH)
    for engine, searches in by_goal["5"].items():
        checks, exports, memory = (by_goal[number][engine] for number in ("6", "7a", "7b"))
        columns = [
            *(searches[name] for name in ("resources", "p99_x", "p99_processor_x", "p50_x", "p99_ms")),
            *(checks[name] for name in ("check_x", "checks_a_second")),
            *(exports[name] for name in ("resources", "export_us_each", "x", "of_durable_copy_x")),
            memory["peak_mib"],
        ]
        for row in zip(*columns, strict=True):
            yield f"| {engine} | {' | '.join(map(_value, row))} |"


def _figures(found: Found) -> Iterator[str]:
    yield "| further figures | | |"
    yield "| --- | --- | --- |"
    for one in found["figures"]:
        more = ", ".join(f"{name.replace('_', ' ')} {_value(value)}" for name, value in one["detail"].items())
        yield f"| {one['what']} | {_number(one['value'])} {one['unit']} | {more} |"


def _number(value: float) -> str:
    """Three digits that count."""
    return f"{value:,.0f}" if value >= 100 else f"{value:.3g}"


def _value(value: Any) -> str:
    if isinstance(value, list):
        return _listed(value)
    return f"{value:,}" if isinstance(value, int) else _number(value)


def _listed(values: list[float]) -> str:
    return ", ".join(f"{value:g}" for value in values)


def in_brackets(text: str) -> str:
    """Nothing for nothing."""
    return f"({text})" if text else ""
