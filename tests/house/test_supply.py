"""What midwatch is made of: versions locked, licences told, the same wheel from the same source."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from tests.house.supply import (
    CONSTRAINTS,
    LICENCES,
    ROOT,
    SHIPPED_EXTRAS,
    licences_text,
    needed,
    pinned,
)

AGAIN = "write it anew: python -m tests.house.supply"


def test_every_package_that_the_tests_use_has_the_version_that_is_written_down() -> None:
    """``tests/run.sh`` installs by this list; another version here was not installed by it."""
    pins = pinned(CONSTRAINTS.read_text(encoding="utf-8"))
    here = {one.name: one.version for one in needed()}
    assert {name: version for name, version in here.items() if pins.get(name) != version} == {}, (
        AGAIN
    )
    assert list(pins) == sorted(pins)


def test_the_list_of_versions_names_no_place() -> None:
    """Where packages come from is pip's own business, on every machine."""
    text = CONSTRAINTS.read_text(encoding="utf-8")
    assert not re.search(r"://|@|--|\.(org|com|net|io)\b", text.partition("\n")[2])
    with pytest.raises(ValueError, match="not a name and a version"):
        pinned("requests @ https://somewhere.example/requests.whl\n")


def test_the_tests_are_installed_by_the_list() -> None:
    assert "constraints.txt" in (ROOT / "tests" / "run.sh").read_text(encoding="utf-8")
    assert "--constraint" in (ROOT / "systemd" / "ready.sh").read_text(encoding="utf-8")


def test_the_licence_of_all_that_is_installed_with_midwatch_is_told() -> None:
    """As the packages say it themselves; none of them says nothing."""
    told = LICENCES.read_text(encoding="utf-8")
    rows = {line.split()[0]: line for line in told.partition("licence\n")[2].splitlines()}
    for line in licences_text(needed()).partition("licence\n")[2].splitlines():
        name, needed_for, licence = line.split(maxsplit=2)
        assert rows.get(name) == line, AGAIN
        assert needed_for in {"always", *SHIPPED_EXTRAS}
        assert licence != "not told"


def test_nothing_that_is_shipped_forbids_use_or_asks_for_the_source_of_midwatch() -> None:
    """A library under LGPL or MPL is used as it is and installed on its own; none is under GPL."""
    told = LICENCES.read_text(encoding="utf-8").partition("licence\n")[2]
    kinds = {line.split(maxsplit=2)[2] for line in told.splitlines()}
    assert not [kind for kind in kinds if re.search(r"\bA?GPL|Commercial|Proprietary", kind)]


BUILD = "import sys, setuptools.build_meta as b; print(b.build_wheel(sys.argv[1]))"


def build(folder: Path, *, touched: int) -> Path:
    """Build the wheel from a fresh copy of the source whose files have times of their own."""
    source, out = folder / "source", folder / "out"
    shutil.copytree(
        ROOT / "watcher", source / "watcher", ignore=shutil.ignore_patterns("__pycache__")
    )
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, source / name)
    out.mkdir()
    for file in sorted(source.rglob("*"), reverse=bool(touched % 2)):
        os.utime(file, (touched, touched))
    subprocess.run(
        [sys.executable, "-c", BUILD, str(out)],
        cwd=source,
        env={**os.environ, "SOURCE_DATE_EPOCH": "1767225600", "PYTHONHASHSEED": str(touched % 97)},
        umask=0o022,
        capture_output=True,
        check=True,
        timeout=300,
    )
    (wheel,) = out.glob("midwatch-*.whl")
    return wheel


def test_the_same_source_gives_the_same_wheel(tmp_path: Path) -> None:
    """Built twice, in two places, on other days: the same bytes (reproducible-builds.org/specs)."""
    first = build(tmp_path / "one", touched=1_600_000_001)
    second = build(tmp_path / "another place", touched=1_700_000_000)
    assert first.name == second.name
    assert first.read_bytes() == second.read_bytes()
    with zipfile.ZipFile(first) as wheel:
        names = set(wheel.namelist())
        assert {info.date_time for info in wheel.infolist()} == {(2026, 1, 1, 0, 0, 0)}
    own = {f"watcher/{path}" for path in ("licences.txt", "py.typed", "store/sql/book.sql")}
    assert own <= names, own - names
    assert not [name for name in names if name.startswith(("tests/", "config/"))]
