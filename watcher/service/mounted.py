r"""Whether the file system on which the state folder should lie is there.

Where its drive is dead at the start of the machine, the folder is the bare place under it. A store
begun there would know nothing of the past, nor of the drive that is gone, and nobody would be told.
What should be mounted stands in fstab(5), or in a unit (systemd.mount(5)) whose name is the place,
with ``-`` for ``/`` and ``\x2d`` for a dash, and which a target wants or needs. Entries marked
``noauto``, units that no target asks for or that are masked, and those that bind a folder to
another place are left aside, since of these it cannot be told that they are missing; so are all
units where systemd does not run.
"""

from __future__ import annotations

import os
import re
import string
from collections.abc import Callable
from pathlib import Path

FSTAB = Path("/etc/fstab")
UNITS = tuple(Path(f"/{place}/systemd/system") for place in ("etc", "run", "usr/lib"))
"""Where units lie, the one that counts first (systemd.unit(5))."""

BOOTED = Path("/run/systemd/system")
"""Is there where systemd runs (sd_booted(3)); elsewhere, as in a container, units mount nothing."""

_BINDS = {"bind", "rbind"}
_PLAIN = f"{string.ascii_letters}{string.digits}:_."


def not_mounted(folder: Path, fstab: str, is_mount: Callable[[Path], bool]) -> Path | None:
    """Give the place at or above ``folder`` where a file system is lacking; None when none is."""
    above = _above(folder)
    for line in fstab.splitlines():
        fields = line.split()
        if len(fields) < 4 or line.lstrip().startswith("#"):
            continue
        place = Path(re.sub(r"\\([0-7]{3})", lambda code: chr(int(code[1], 8)), fields[1]))
        left_aside = {"noauto", *_BINDS} & set(fields[3].split(","))
        if place in above and not left_aside and not is_mount(place):
            return place
    return None


def unit_lacks(
    folder: Path, units: tuple[Path, ...], is_mount: Callable[[Path], bool]
) -> Path | None:
    """Give the same by the units in the folders ``units``, of which the first has the last word."""
    for place in sorted(_above(folder)):
        name = unit_of(place)
        asked_for = any(_link(at, name) for at in units)
        if asked_for and not is_mount(place) and _mounts_a_drive(units, name):
            return place
    return None


def _above(folder: Path) -> set[Path]:
    """Give a folder and all above it, by the way that was named and by where its links lead."""
    try:
        real = folder.resolve()
    except (OSError, RuntimeError):  # a link that leads to itself
        real = folder
    return {folder, *folder.parents, real, *real.parents}


def _link(units: Path, name: str) -> bool:
    """Tell whether a target of these units asks for the one of that name."""
    try:
        return any(
            (folder / name).is_symlink()
            for folder in units.iterdir()
            if folder.suffix in {".wants", ".requires"}
        )
    except OSError:
        return False


def _mounts_a_drive(units: tuple[Path, ...], name: str) -> bool:
    """Tell whether a unit is there, not masked (empty, for systemd), and binds no other place."""
    for folder in units:
        try:
            text = (folder / name).read_text(encoding="utf-8", errors="replace")
        except FileNotFoundError:
            continue
        except OSError:
            return False
        options = re.findall(r"^\s*Options\s*=(.*)$", text, re.MULTILINE)
        return bool(text.strip()) and not _BINDS & {
            word.strip() for line in options for word in line.split(",")
        }
    return False


def unit_of(place: Path) -> str:
    r"""Name the unit of a place, as ``systemd-escape --path`` does: ``srv-my\x2dfilms.mount``."""
    text = str(place).strip("/")
    name = "".join(
        "-"
        if one == 0x2F
        else chr(one)
        if chr(one) in _PLAIN and (at or one != 0x2E)
        else f"\\x{one:02x}"
        for at, one in enumerate(os.fsencode(text))
    )
    return f"{name or '-'}.mount"


def units_in_force(booted: Path = BOOTED) -> tuple[Path, ...]:
    """Give the folders of the units that somebody heeds."""
    return UNITS if booted.is_dir() else ()


def lacks_mount(folder: Path) -> Path | None:
    """Tell of a folder of this machine; where there is no such list nothing is lacking."""
    try:
        text = FSTAB.read_text(encoding="utf-8", errors="replace")
    except OSError:
        text = ""
    listed = not_mounted(folder, text, Path.is_mount)
    return listed or unit_lacks(folder, units_in_force(), Path.is_mount)
