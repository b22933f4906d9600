"""Whether the file system on which the state folder should lie is there.

Where its drive is dead at the start of the machine, the folder is the bare place under it. A store
begun there would know nothing of the past, nor of the drive that is gone, and nobody would be told.
What should be mounted stands in fstab(5); entries marked ``noauto`` and those that bind a folder to
another place are left aside, since of these it cannot be told that they are missing.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

FSTAB = Path("/etc/fstab")


def not_mounted(folder: Path, fstab: str, is_mount: Callable[[Path], bool]) -> Path | None:
    """Give the place at or above ``folder`` where a file system is lacking; None when none is."""
    above = {folder, *folder.parents}
    for line in fstab.splitlines():
        fields = line.split()
        if len(fields) < 4 or line.lstrip().startswith("#"):
            continue
        place = Path(re.sub(r"\\([0-7]{3})", lambda code: chr(int(code[1], 8)), fields[1]))
        left_aside = {"noauto", "bind", "rbind"} & set(fields[3].split(","))
        if place in above and not left_aside and not is_mount(place):
            return place
    return None


def lacks_mount(folder: Path) -> Path | None:
    """Tell of a folder of this machine; where there is no such list nothing is lacking."""
    try:
        text = FSTAB.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    return not_mounted(folder, text, Path.is_mount)
