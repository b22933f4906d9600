"""Who holds a message while it is on its way, told so that a successor sees whether they live.

A process id alone is used again, and means something within its own world only. So the name of a
claimer also holds when the process began, in which run of the kernel, and among which processes
(pid_namespaces(7)): ``delivery 1234 567890 0f3c…/4026531836``.
"""

from __future__ import annotations

import os
from pathlib import Path

_KIND = "delivery"
_HELD = "held"
"""Ends the name of one that holds a lock of that name for as long as it is connected."""


def _world() -> str:
    """Name this run of the kernel and the processes that are seen from here."""
    try:
        boot = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        space = Path("/proc/self/ns/pid").readlink().name
    except OSError:
        return "unknown"
    return f"{boot}/{space.removeprefix('pid:').strip('[]')}"


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


def own_name(*, held: bool = False) -> str:
    """Give the name under which this process takes messages; ``held``: and of which it has a lock.

    An older version of this program leaves a name that ends so to its time limit.
    """
    pid = os.getpid()
    name = f"{_KIND} {pid} {_began(pid) or 0} {_world()}"
    return f"{name} {_HELD}" if held else name


def is_told_by_a_lock(name: str) -> bool:
    """Tell whether a claimer elsewhere is known to be gone when nobody holds its name."""
    parts = name.split()
    return len(parts) == 5 and parts[0] == _KIND and parts[4] == _HELD and parts[3] != _world()


def is_seen(name: str) -> bool:
    """Tell whether it can be seen from here whether a claimer lives: then time proves nothing."""
    parts = name.removesuffix(f" {_HELD}").split()
    return len(parts) == 4 and parts[0] == _KIND and parts[3] == _world()


def is_alive(name: str, *, far: bool = False) -> bool:
    """Tell whether the claimer of that name still runs; a name that is not ours counts as alive.

    So a claim of somebody else's making is left to its time limit. Where the store is shared with
    other machines (``far``) so is a claim from elsewhere; otherwise that is one from before a
    restart of this machine, and dead.
    """
    parts = name.removesuffix(f" {_HELD}").split()
    if len(parts) != 4 or parts[0] != _KIND or not parts[1].isdigit():
        return True
    if parts[3] != _world():
        return far
    return _began(int(parts[1])) == parts[2]
