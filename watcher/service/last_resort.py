"""When no way to a person works and it cannot wait: say it on this machine itself.

Printed on standard error (which is the journal, when run as a service) and written to everybody
who is logged in, by ``wall(1)`` of util-linux. Used for urgency ``now`` only.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Mapping
from contextlib import suppress
from typing import TextIO

WALL_SECONDS = 5
JOURNAL_ALERT = "<1>"
"""Priority prefix that the journal understands, "alert" (sd-daemon(3), syslog(3))."""


def say_here(
    title: str,
    body: str,
    environ: Mapping[str, str],
    *,
    out: TextIO | None = None,
    wall: str | None = None,
) -> bool:
    """Print a message on standard error and tell all who are logged in; say whether wall ran.

    ``wall`` names the program; None looks for it, "" leaves it out.
    """
    stream = out if out is not None else sys.stderr
    prefix = JOURNAL_ALERT if "JOURNAL_STREAM" in environ else ""
    text = f"{title}\n{body}\n(No way to the person it is for works; so it is said here.)"
    with suppress(OSError):  # a log on the full disk, a terminal that is gone: wall is left
        stream.write("".join(f"{prefix}{line}\n" for line in text.split("\n")))
        stream.flush()
    program = shutil.which("wall") if wall is None else wall
    if not program:
        return False
    try:
        done = subprocess.run(
            [program],
            input=text.encode("ascii", "replace"),  # terminals of any kind
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            timeout=WALL_SECONDS,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired):
        return False
    return done.returncode == 0
