"""The real ends of the kernel log: a child that follows the journal, /dev/kmsg, a log file.

Thin on purpose: what the bytes mean is in ``kernel_log`` and ``kernel_raw``. None ever waits.
"""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

MOST_PENDING_BYTES = 8 << 20
"""Taken from the child in one call. Our choice; the pipe holds back the rest."""

RECORD_BYTES = 8192
"""A record of /dev/kmsg must fit one read, or the kernel says EINVAL; printk.c writes at most
2048 (CONSOLE_EXT_LOG_MAX is 8192 in older kernels)."""


class ChildFollow:
    """A child that writes lines for as long as it lives."""

    def __init__(self, argv: Sequence[str]) -> None:
        """Start it; raises FileNotFoundError or PermissionError when it cannot be started."""
        path = shutil.which(argv[0]) or argv[0]
        self._child = subprocess.Popen(
            [path, *argv[1:]],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "LC_ALL": "C"},
            start_new_session=True,
        )
        if self._child.stdout is None:
            raise OSError(errno.EPIPE, "the child has no output")
        self._descriptor = self._child.stdout.fileno()
        os.set_blocking(self._descriptor, False)
        self._rest = b""

    def take(self) -> str:
        """Give the whole lines written since the last call, without waiting."""
        pieces = [self._rest]
        size = 0
        while size < MOST_PENDING_BYTES:
            try:
                piece = os.read(self._descriptor, 1 << 16)
            except BlockingIOError:
                break
            if not piece:
                break
            pieces.append(piece)
            size += len(piece)
        text = b"".join(pieces)
        whole = text.rfind(b"\n") + 1
        self._rest = text[whole:]
        return text[:whole].decode("utf-8", "replace")

    @property
    def ended(self) -> str | None:
        """Tell why it ended, None while it runs."""
        status = self._child.poll()
        if status is None:
            return None
        return f"it was killed by signal {-status}" if status < 0 else f"it ended with {status}"

    def stop(self) -> None:
        """End it, and wait until it is gone."""
        if self._child.poll() is None:
            self._child.kill()
        self._child.wait(timeout=5)
        if self._child.stdout is not None:
            self._child.stdout.close()


class KernelRing:
    """The kernel's ring of messages. Opens anew on the first call, and gives each record once."""

    def __init__(self, path: str = "/dev/kmsg") -> None:
        """Take the path; nothing is opened yet."""
        self._path = path
        self._descriptor: int | None = None

    def take(self, most: int) -> tuple[bytes, ...]:
        """Give the records not yet given, without waiting; raises OSError."""
        if self._descriptor is None:
            self._descriptor = os.open(self._path, os.O_RDONLY | os.O_NONBLOCK)
        records: list[bytes] = []
        while len(records) < most:
            try:
                record = os.read(self._descriptor, RECORD_BYTES)
            except BlockingIOError:
                break
            except OSError as why:
                if why.errno == errno.EPIPE:  # records were overwritten; the next one shows it
                    continue
                raise
            if not record:
                break
            records.append(record)
        return tuple(records)

    def close(self) -> None:
        """Close it; the next ``take`` begins with the oldest record."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None


class RealLogFile:
    """A log file by name, and what it was rotated to in the same folder."""

    def __init__(self, path: str) -> None:
        """Take the path."""
        self._path = Path(path)

    def inode(self) -> int:
        """Tell which file the name stands for now; raises OSError."""
        return self._path.stat().st_ino

    def read(self, inode: int, offset: int, most: int) -> bytes | None:
        """Read from the file with that inode; None when it is gone or was cut short.

        A file that was emptied in place is smaller than the offset: it is read from its start.
        """
        found = self._find(inode)
        if found is None:
            return None
        with found.open("rb", buffering=0) as file:
            if os.fstat(file.fileno()).st_size < offset:
                return None
            file.seek(offset)
            return file.read(most)

    def _find(self, inode: int) -> Path | None:
        if self._path.exists() and self._path.stat().st_ino == inode:
            return self._path
        for sibling in sorted(self._path.parent.glob(self._path.name + "*")):
            if sibling.suffix not in {".gz", ".xz", ".zst", ".bz2"} and (
                sibling.stat().st_ino == inode
            ):
                return sibling
        return None
