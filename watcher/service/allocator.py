"""Has the C library give freed memory back to the machine, for a process that serves pages.

A password costs 16 MiB for a moment. The GNU C library takes the first such block from the kernel
and gives it back, and then thinks that blocks of that size will be wanted often: from the second on
they come out of its heap and stay there (mallopt(3), M_MMAP_THRESHOLD, "the dynamic mmap
threshold"). Measured over five sign-ins and 500 pages of 50 boxes: 70 MiB of memory of its own
without this, 54 with it.
"""

from __future__ import annotations

import ctypes
from typing import Final

_M_MMAP_THRESHOLD: Final = -3  # malloc.h of the GNU C library
_M_ARENA_MAX: Final = -8

LARGE_BYTES: Final = 1024 * 1024
"""Blocks of that size come from the kernel and go back to it at once. Our choice: a page is
smaller, the work on a password is larger."""

ARENAS: Final = 1
"""Threads share one heap: only one of them runs Python at a time, and each heap keeps what its
thread has freed."""


def give_back_freed() -> bool:
    """Set it for this process, before its threads begin; False where the C library is another."""
    try:
        set_option = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError):
        return False
    wanted = ((_M_MMAP_THRESHOLD, LARGE_BYTES), (_M_ARENA_MAX, ARENAS))
    return [int(set_option(name, value)) for name, value in wanted] == [1, 1]


def give_back_now() -> bool:
    """Give back what is free in the midst of the heap; False where that is not possible.

    It goes back by itself only from the heap's end (mallopt(3), M_TRIM_THRESHOLD). Takes
    milliseconds, so it may be done after each look. Measured with the history of a year of 24
    drives and 1,400 pages: 2 MiB.
    """
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError):
        return False
    return int(trim(0)) == 1
