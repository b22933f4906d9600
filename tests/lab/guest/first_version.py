"""The first version, built from the repository's own history."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

from tests.lab.guest.parcel import ROOT, build_wheel

SECOND_STEP = "watcher/store/migrations/0002_accounts.sql"
"""What came right after the first version of the store's form."""


def first_version(folder: Path) -> tuple[Path, Path] | None:
    """Give the wheel and the unit of the first version, built from the repository's history."""
    if shutil.which("git") is None or not (ROOT / ".git").exists():
        return None
    words = ["git", "log", "--diff-filter=A", "--format=%H", "--", SECOND_STEP]
    found = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    if not found.split():
        return None
    source = folder / "first"
    source.mkdir()
    parts = ("watcher", "pyproject.toml", "README.md", "systemd")
    done = subprocess.run(
        ["git", "archive", f"{found.split()[-1]}^", *parts],
        cwd=ROOT,
        capture_output=True,
        check=False,
    )
    if done.returncode:  # a clone that has not all of the history
        return None
    subprocess.run(["tar", "-x", "-C", source], input=done.stdout, check=True)
    return build_wheel(folder / "built", source=source), source / "systemd" / "midwatch.service"
