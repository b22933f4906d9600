"""File systems of a few mebibytes for a test, made in memory: full, read-only, taken away."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


@contextmanager
def small_disk(at: Path, mebibytes: int = 8) -> Iterator[Path]:
    """Mount a small file system at a place; skips the test where that cannot be done."""
    if os.geteuid() != 0 or shutil.which("mount") is None:
        pytest.skip("a small disk needs root and mount")
    at.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", f"size={mebibytes}m", "tmpfs", str(at)]
    if subprocess.run(words, capture_output=True, check=False).returncode:
        pytest.skip("a file system cannot be mounted here")
    try:
        yield at
    finally:
        subprocess.run(["umount", "-l", at], check=True)


def make_read_only(at: Path) -> None:
    """Make a small disk read-only from now on."""
    subprocess.run(["mount", "-o", "remount,ro", at], check=True)


def make_writable(at: Path) -> None:
    """Let a small disk be written again."""
    subprocess.run(["mount", "-o", "remount,rw", at], check=True)
