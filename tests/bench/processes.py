"""Memory and processor time of a process."""

from pathlib import Path

import psutil  # type: ignore[import-untyped]  # no types come with it, and one call needs none


def resident_mib(process: int | str = "self") -> float:
    """What it holds now."""
    return _line(process, "VmRSS:")


def peak_mib(process: int | str = "self") -> float:
    """The most that it ever held; not ru_maxrss, which begins with what the parent held before `exec`."""
    return _line(process, "VmHWM:")


def processor_s(process: int) -> float:
    """Seconds of a processor that all its threads took, in steps of 10 ms."""
    times = psutil.Process(process).cpu_times()
    return float(times.user + times.system)


def _line(process: int | str, name: str) -> float:
    lines = Path(f"/proc/{process}/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith(name))
