"""The file is the old one or the new one, and its owner's only."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from watcher.hub import credentials
from watcher.hub.credentials import FILE, JOINING, Credentials

KNOWN = Credentials(url="https://hub.example.org", box="press", token="s3cret")


def test_what_was_saved_is_loaded(tmp_path: Path) -> None:
    assert credentials.load(tmp_path) is None
    credentials.save(tmp_path, KNOWN)
    assert credentials.load(tmp_path) == KNOWN
    assert credentials.load(tmp_path, JOINING) is None
    assert (tmp_path / FILE).stat().st_mode & 0o777 == 0o600
    assert [p.name for p in tmp_path.iterdir()] == [FILE]


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"url": 1}', "\x00"])
def test_a_file_that_makes_no_sense_says_to_join_again(tmp_path: Path, text: str) -> None:
    (tmp_path / FILE).write_text(text)
    with pytest.raises(ValueError, match="join the hub again"):
        credentials.load(tmp_path)


def test_a_file_that_cannot_be_read_asks_nobody_to_join_again(tmp_path: Path) -> None:
    """It may hold; joining again costs a new code."""
    (tmp_path / FILE).mkdir()
    with pytest.raises(ValueError, match=r"cannot be read \(Is a directory\)\.$"):
        credentials.load(tmp_path)


def test_what_was_saved_is_on_the_disk_by_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[tuple[bool, bool]] = []  # whether a folder, whether the file had its name by then

    def fsync(handle: int) -> None:
        synced.append((stat.S_ISDIR(os.fstat(handle).st_mode), (tmp_path / FILE).exists()))

    monkeypatch.setattr(os, "fsync", fsync)
    credentials.save(tmp_path, KNOWN)
    assert synced == [(False, False), (True, True)]


def test_no_secret_is_shown_by_accident() -> None:
    assert "s3cret" not in repr(KNOWN)


def test_a_link_under_the_name_it_is_written_by_leads_nowhere(tmp_path: Path) -> None:
    precious = tmp_path / "precious"
    precious.write_text("kept", encoding="utf-8")
    (tmp_path / f"{FILE}.new").symlink_to(precious)
    credentials.save(tmp_path, KNOWN)
    assert precious.read_text(encoding="utf-8") == "kept"
    assert credentials.load(tmp_path) == KNOWN
