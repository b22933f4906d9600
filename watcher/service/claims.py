"""Who holds a message while it is on its way, told so that a successor sees whether they live.

A process id alone is used again, so the name of a claimer also holds when the process began and
in which run of the kernel: ``delivery 1234 567890 0f3c…``.
"""

from __future__ import annotations

import os
from pathlib import Path

_KIND = "delivery"


def _boot() -> str:
    """Give the id of this run of the kernel."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return "unknown"


def _began(pid: int) -> str | None:
    """Give when a process began, in the kernel's ticks; None when there is no such process.

    A process that has ended and was not waited for yet (state Z, proc(5)) counts as gone.
    """
    try:
        stat = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace")
    except OSError:
        return None
    fields = stat.rpartition(")")[2].split()  # the name before it may hold anything
    if len(fields) < 20 or fields[0] in {"Z", "X"}:
        return None
    return fields[19]  # field 22 of proc(5): starttime


def own_name() -> str:
    """Give the name under which this process takes messages."""
    pid = os.getpid()
    return f"{_KIND} {pid} {_began(pid) or 0} {_boot()}"


def is_alive(name: str) -> bool:
    """Tell whether the claimer of that name still runs; a name that is not ours counts as alive.

    So a claim of somebody else's making is left to its time limit.
    """
    parts = name.split()
    if len(parts) != 4 or parts[0] != _KIND or not parts[1].isdigit():
        return True
    return parts[3] == _boot() and _began(int(parts[1])) == parts[2]
