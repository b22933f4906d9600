"""A drive as plain bytes, past the page cache: opened for itself alone, read, written, flushed.

``O_DIRECT`` reads and writes what is on the drive and not what the kernel remembers of it, and
leaves the cache of everything else alone; it wants buffers, offsets and lengths that are whole
sectors (open(2), NOTES). ``O_EXCL`` without ``O_CREAT`` on a block device asks the kernel for it
alone: refused with EBUSY while it is mounted, swapped to, or held by md, LVM or btrfs, and nobody
can mount it while we hold it (open(2)).
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import os
import struct
from typing import Protocol

ALIGNMENT_BYTES = 4096
"""Buffers begin at a multiple of this: enough for any sector size in use."""

_BLKSSZGET = 0x1268
"""ioctl: the logical sector size (linux/fs.h)."""


class Device(Protocol):
    """What a burn-in needs of a drive."""

    size: int
    sector: int

    def read_at(self, at: int, into: memoryview) -> None:
        """Fill a buffer from a place; OSError when that cannot be done."""

    def write_at(self, at: int, content: memoryview) -> None:
        """Write a buffer to a place; OSError when that cannot be done."""

    def flush(self) -> None:
        """See that what was written is on the medium and not in the drive's cache."""

    def close(self) -> None:
        """Let it go."""


def aligned(length: int) -> memoryview:
    """Give a buffer that begins at a multiple of ``ALIGNMENT_BYTES``."""
    block = bytearray(length + ALIGNMENT_BYTES)
    start = ctypes.addressof(ctypes.c_char.from_buffer(block))
    skip = -start % ALIGNMENT_BYTES
    return memoryview(block)[skip : skip + length]


_LIBC = ctypes.CDLL(None)
_LIBC.memcmp.argtypes = (ctypes.c_void_p, ctypes.c_void_p, ctypes.c_size_t)
_LIBC.memcmp.restype = ctypes.c_int


def same(one: memoryview, other: memoryview) -> bool:
    """Tell whether two buffers hold the same.

    By the C library (memcmp(3)): comparing views in Python takes fifty times as long, and holds up
    the thread that reads on.
    """
    if len(one) != len(other):
        return False
    if not len(one):
        return True
    places = [ctypes.addressof(ctypes.c_char.from_buffer(view)) for view in (one, other)]
    return bool(_LIBC.memcmp(*places, len(one)) == 0)


class BlockDevice:
    """A real block device."""

    def __init__(self, node: str, *, writes: bool) -> None:
        """Open it for itself alone. OSError (EBUSY when somebody holds it)."""
        mode = os.O_RDWR | os.O_EXCL if writes else os.O_RDONLY
        self._fd = os.open(node, mode | os.O_DIRECT | os.O_CLOEXEC)
        try:
            self.size: int = os.lseek(self._fd, 0, os.SEEK_END)
            sector = fcntl.ioctl(self._fd, _BLKSSZGET, b"\0" * 4)
            self.sector: int = struct.unpack("I", sector)[0]
        except OSError:
            os.close(self._fd)
            raise

    def read_at(self, at: int, into: memoryview) -> None:
        """Fill a buffer from a place."""
        done = 0
        while done < len(into):
            got = os.preadv(self._fd, [into[done:]], at + done)
            if got == 0:
                raise OSError(errno.EIO, "the drive ended early")
            done += got

    def write_at(self, at: int, content: memoryview) -> None:
        """Write a buffer to a place."""
        done = 0
        while done < len(content):
            put = os.pwritev(self._fd, [content[done:]], at + done)
            if put == 0:
                raise OSError(errno.EIO, "the drive takes no more")
            done += put

    def flush(self) -> None:
        """See that what was written is on the medium."""
        os.fsync(self._fd)

    def close(self) -> None:
        """Let it go."""
        os.close(self._fd)
