"""A mark beside the store: the watch goes on in memory, so what lies on the disk is not all.

A lock (flock(2)) on an empty file that is made while all is well. Setting it writes nothing, so it
works on a disk that takes no more writes, also where that disk still says that it does; it goes
away with the watch, however that ends. SQLite locks the store itself by other means.
"""

from __future__ import annotations

import fcntl
import os
from contextlib import suppress
from pathlib import Path

MARK_MODE = 0o640


def _beside(path: Path) -> Path:
    return Path(f"{path}.memory")


class Mark:
    """The mark of one watch."""

    def __init__(self, path: Path) -> None:
        """Make ready to mark the store at ``path``; where that cannot be there is no mark."""
        self._file: int | None = None
        with suppress(OSError):
            words = os.O_RDONLY | os.O_CREAT | os.O_CLOEXEC
            self._file = os.open(_beside(path), words, MARK_MODE)

    def show(self) -> None:
        """Say that the watch goes on in memory; may be called again and again."""
        if self._file is not None:
            with suppress(OSError):  # somebody looks at it just now: the next call does it
                fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def take_down(self) -> None:
        """Say that all is on the disk again."""
        if self._file is not None:
            with suppress(OSError):
                fcntl.flock(self._file, fcntl.LOCK_UN)

    def close(self) -> None:
        """Let go of it; it is down then."""
        file, self._file = self._file, None
        if file is not None:
            os.close(file)


def is_in_memory(path: Path) -> bool:
    """Tell whether a watch says of the store at ``path`` that it goes on in memory."""
    try:
        file = os.open(_beside(path), os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    finally:
        os.close(file)
    return False
