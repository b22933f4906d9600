"""A new file in the state folder, which belongs to whom the folder belongs.

Where the half that tells runs as a user of its own, root's commands work in that user's folder:
what they make there would be shut to it. And that user may have laid a link under the name that
root is about to write; a new file never follows one.
"""

from __future__ import annotations

import os
from pathlib import Path


def open_new(path: Path, mode: int) -> int:
    """Make a file that is not there yet and open it for writing; raises OSError."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, mode)
    try:
        folder = path.parent.stat()
        if os.geteuid() == 0 and folder.st_uid != 0:
            os.fchown(handle, folder.st_uid, folder.st_gid)
    except OSError:
        os.close(handle)
        raise
    return handle
