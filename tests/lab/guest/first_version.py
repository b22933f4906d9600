"""The first version, built from the repository's own history."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

from tests.lab.guest.parcel import ROOT, build_wheel

FIRST_STEP = "watcher/store/migrations/0001_begin.sql"
"""The step that was released first, and has not changed since."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstVersion:
    """What is needed to install it."""

    wheel: Path
    unit: Path
    form: int  # the last step that its store has taken


def first_version(folder: Path) -> FirstVersion | None:
    """Build the first version whose store can be brought to today's form; None without history.

    That is the commit in which the first step became what it is today: a store made before then
    was never released.
    """
    if shutil.which("git") is None or not (ROOT / ".git").exists():
        return None
    words = ["git", "log", "-1", "--format=%H", "--", FIRST_STEP]
    found = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    if not found.split() or _is_shallow():
        return None
    source = folder / "first"
    source.mkdir()
    parts = ("watcher", "pyproject.toml", "README.md", "systemd")
    done = subprocess.run(
        ["git", "archive", found.strip(), *parts],
        cwd=ROOT,
        capture_output=True,
        check=False,
    )
    if done.returncode:
        return None
    subprocess.run(["tar", "-x", "-C", source], input=done.stdout, check=True)
    steps = [
        int(match[1])
        for file in (source / FIRST_STEP).parent.iterdir()
        if (match := re.match(r"(\d{4})_", file.name)) is not None
    ]
    return FirstVersion(
        wheel=build_wheel(folder / "built", source=source),
        unit=source / "systemd" / "midwatch.service",
        form=max(steps),
    )


def _is_shallow() -> bool:
    """Tell whether this clone has not all of the history."""
    words = ["git", "rev-parse", "--is-shallow-repository"]
    said = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    return said.strip() == "true"
