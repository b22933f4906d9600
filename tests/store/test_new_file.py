"""A new file is its folder's owner's, and never what a link leads to."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.store.made import NOW
from watcher.hub import credentials
from watcher.store.copies import copy_before
from watcher.store.database import open_store
from watcher.store.new_file import open_new

NOBODY = 65534


def test_a_link_or_a_file_in_its_place_is_left_alone(tmp_path: Path) -> None:
    precious = tmp_path / "precious"
    precious.write_text("kept", encoding="utf-8")
    (tmp_path / "link").symlink_to(precious)
    (tmp_path / "nowhere").symlink_to(tmp_path / "not there")
    for name in ("precious", "link", "nowhere"):
        with pytest.raises(FileExistsError):
            open_new(tmp_path / name, 0o600)
    assert precious.read_text(encoding="utf-8") == "kept"
    assert not (tmp_path / "not there").exists()


def test_it_can_be_written_and_has_its_mode(tmp_path: Path) -> None:
    with os.fdopen(open_new(tmp_path / "file", 0o600), "w", encoding="utf-8") as file:
        file.write("text")
    assert (tmp_path / "file").read_text(encoding="utf-8") == "text"
    assert (tmp_path / "file").stat().st_mode & 0o777 == 0o600


@pytest.mark.root
@pytest.mark.skipif(os.geteuid() != 0, reason="only root gives files away")
def test_what_root_makes_in_the_folder_of_the_half_that_tells_is_that_users(tmp_path: Path) -> None:
    os.chown(tmp_path, NOBODY, NOBODY)
    with open_store(tmp_path / "midwatch.db", now=NOW):
        pass
    copy_before(tmp_path / "midwatch.db", "the store", NOW)
    known = credentials.Credentials(url="https://hub.example.org", box="press", token="t")
    credentials.save(tmp_path, known)
    owners = {file.name: file.stat().st_uid for file in tmp_path.iterdir()}
    assert len(owners) == 3
    assert set(owners.values()) == {NOBODY}
