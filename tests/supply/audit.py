"""Holds requirements/run.lock against the published advisories with pip-audit, and says plainly what was not looked up.

    python -m tests.supply.audit [--must-know]

0: looked up, nothing known; 1: a known fault, or with --must-know something that was not looked up. pip-audit itself
calls a package that it found no data of "skipped" and ends with 0: no network would look like no fault.
"""

import json
import subprocess
import sys
from typing import Any

from tests.supply.lock import RUN_LOCK

COMMAND = (sys.executable, "-m", "pip_audit", "--disable-pip", "--require-hashes", "--progress-spinner", "off",
           "--format", "json", "--requirement", str(RUN_LOCK))  # fmt: skip


def verdict(report: dict[str, Any] | None) -> tuple[list[str], list[str]]:
    """Known faults and packages that were not looked up, from pip-audit's JSON; None: it gave no report."""
    if report is None:
        return [], ["every package (pip-audit gave no report)"]
    packages = report["dependencies"]
    faults = [
        f"{one['name']} {one['version']}: {fault['id']}, mended in {' or '.join(fault['fix_versions']) or 'none yet'}"
        for one in packages
        for fault in one.get("vulns", ())
    ]
    return faults, [one["name"] for one in packages if "skip_reason" in one]


def told(faults: list[str], unknown: list[str], must_know: bool) -> tuple[int, str]:
    """Exit code and words."""
    lines = [f"known fault: {fault}" for fault in faults]
    if unknown:
        shown = ", ".join(unknown[:5]) + (f" and {len(unknown) - 5} more" if len(unknown) > 5 else "")
        lines.append(f"NOT AUDITED, no advisory data could be had: {shown}; only the review of the lock file holds")
    if not lines:
        lines.append("every package was looked up; no fault is known")
    return int(bool(faults or (unknown and must_know))), "\n".join(lines)


def main(arguments: list[str]) -> int:
    try:
        ended = subprocess.run(COMMAND, capture_output=True, text=True, timeout=180)
        report = json.loads(ended.stdout)
    except (ValueError, subprocess.TimeoutExpired):
        report = None
    code, words = told(*verdict(report), "--must-know" in arguments)
    print(words)
    return code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
