"""A box that is not here: what it is taken from is said, and what is not in it too."""

from __future__ import annotations

import json
from pathlib import Path

from tests.cli.state import command
from tests.readers.test_saved_reports import put, report
from watcher.cli.exits import Exit


def test_a_folder_of_reports_shows_its_drives_and_says_that_pools_are_not_in_it(
    tmp_path: Path,
) -> None:
    put(tmp_path / "client" / "a-2026-03-02.txt", report())
    put(tmp_path / "client" / "a-2026-03-05.txt", report(pending=9))
    put(tmp_path / "client" / "b-2026-03-05.txt", report("PLOUGH0002")[:900])
    status, text = command(None, "look", "--json", "--from", str(tmp_path / "client"))
    looked = json.loads(text)
    (drive,) = looked["drives"]
    assert drive["metrics"]["pending-sectors"] == 9
    assert looked["box"] == "client"
    assert looked["taken_at"].startswith("2026-03-05")
    assert [blind["source"] for blind in looked["blind"]] == ["saved reports"]
    assert "b-2026-03-05.txt" in looked["blind"][0]["detail"]
    assert "pools and kernel log are not in them" in looked["doubts"][0]
    assert status == Exit.ACT


def test_a_healthy_report_alone_never_says_that_all_was_seen(tmp_path: Path) -> None:
    put(tmp_path / "a.txt", report())
    status, text = command(None, "look", "--from", str(tmp_path / "a.txt"))
    assert status == Exit.BLIND
    assert "pools and kernel log are not in" in " ".join(text.split())


def test_many_refused_reports_are_summed_up(tmp_path: Path) -> None:
    for number in range(25):
        put(tmp_path / f"{number:02}.txt", report()[:900])
    status, text = command(None, "look", "--from", str(tmp_path))
    assert status == Exit.ACT
    assert "5 more reports could not be read" in " ".join(text.split())


def test_what_is_no_box_is_refused_with_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    for what, words in (
        (tmp_path / "nothing", "No such file"),
        (tmp_path / "empty", "holds no report"),
        (put(tmp_path / "x.tar.gz", "\x1f"), "holds no report"),
    ):
        status, text = command(None, "look", "--from", str(what))
        assert status == Exit.REFUSED
        assert words in text
        assert text.count(str(what)) == 1
    damaged = tmp_path / "damaged.tar.gz"
    damaged.write_bytes(b"\x1f\x8b\x08\x00damaged")
    status, text = command(None, "look", "--from", str(damaged))
    assert status == Exit.REFUSED
    assert "cut short" in text or "damaged" in text
