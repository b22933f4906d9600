"""A plain word, or a new beginning, when the drive under a mapped file dies.

SQLite maps the index of its log into memory (the file ``-shm``, sqlite.org/wal.html), whatever
``mmap_size`` says. Where the kernel can neither read nor write a page of it there is no call that
could fail: it sends SIGBUS (mmap(2)), and a program that does nothing about it ends with "Bus
error". A handler of Python would never run, for the instruction that failed is tried again and
again before Python gets to it (signal, "Execution of Python signal handlers"). So the handler is a
function of C, made by ctypes, which calls Python from where the fault is and never goes back there.
It gets as far as that under ``MemoryDenyWriteExecute=`` too (tried with PR_SET_MDWE, prctl(2)).
"""

from __future__ import annotations

import os
import shutil
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from watcher.facts.units import between_words

NO_GROUND: Final = 4
"""The exit status of a program whose state folder cannot be used."""

LONG_ENOUGH_SECONDS: Final = 60.0
"""A watch that has run for less does not begin anew by itself: it would do so for ever. Our choice:
a watch that begins anew takes seconds until it stands on memory."""

_DIED: Final = (
    "A drive failed under {path}, or under midwatch itself, just as it was used: look at that "
    "drive first, its cable and power before the drive itself."
)
WHERE_THE_WATCH_RUNS: Final = "Where the watch runs, it goes on in memory and tells what it sees."
_ANEW: Final = f"{_DIED} The watch begins anew."
_OVER: Final = f"{_DIED} The watch ends."

_kept: list[object] = []  # what C calls must not be collected


def say_and_end(path: Path, *, then: str = WHERE_THE_WATCH_RUNS) -> None:
    """From now on end with a sentence and ``NO_GROUND`` when the drive under ``path`` dies.

    ``then`` says what comes of it. Where no handler can be set, "Bus error" stays.
    """
    words = _ready(f"{_DIED} {then}", path)
    _answer(lambda: os.write(2, words))


def begin_anew(path: Path, *, now: Callable[[], float] = time.monotonic) -> None:
    """From now on have this program begin anew, in its place, when the drive under ``path`` dies.

    The process stays the same, so whoever started it need not do so again: where the state folder
    is dead that may not be possible. One that has hardly begun ends as ``say_and_end`` has it.
    """
    began, anew, over = now(), _ready(_ANEW, path), _ready(_OVER, path)
    program, words = sys.executable, list(sys.orig_argv)

    def go() -> None:
        if now() - began < LONG_ENOUGH_SECONDS:
            os.write(2, over)
            return
        os.write(2, anew)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, [signal.SIGBUS])  # as it is within a handler
        os.execv(program, words)  # noqa: S606 - the same words as this time

    _answer(go)


def _ready(sentence: str, path: Path) -> bytes:
    """Give a sentence as it will be written, for at that moment as little as can be is done."""
    text = sentence.format(path=path)
    if os.isatty(2):
        text = between_words(text, max(shutil.get_terminal_size().columns, 20))
    return f"{text}\n".encode(errors="replace")


def _answer(do: Callable[[], object]) -> bool:
    """Have C call ``do`` at a SIGBUS, and end with ``NO_GROUND`` after it; False: it cannot."""
    import ctypes  # noqa: PLC0415 - not for who only wants to know the status

    handler_of = ctypes.CFUNCTYPE(None, ctypes.c_int)

    def handler(_number: int) -> None:
        try:
            do()
        finally:  # never back to what failed
            os._exit(NO_GROUND)

    try:
        libc: Any = ctypes.CDLL(None)
        libc.signal.argtypes, libc.signal.restype = (ctypes.c_int, handler_of), ctypes.c_void_p
        kept = handler_of(handler)
        libc.signal(signal.SIGBUS, kept)
    except (AttributeError, MemoryError, OSError):
        return False
    _kept[:] = [kept]
    return True
