"""A saved kernel log in plain words."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.state import command
from watcher.cli.exits import Exit

LOG = (
    "[  100.000001] sd 2:0:0:0: [sdc] tag#18 Sense Key : Medium Error [current]\n"
    "[  100.000002] sd 2:0:0:0: [sdc] tag#18 Add. Sense: Unrecovered read error\n"
    "[  100.000003] critical medium error, dev sdc, sector 4711 op 0x0:(READ) flags 0x0\n"
)


def test_a_bad_sector_is_told_as_one(tmp_path: Path) -> None:
    path = tmp_path / "kern.log"
    path.write_text(LOG, encoding="utf-8")
    status, text = command(None, "explain", str(path))
    assert status == 0
    assert "means" in text
    assert "Verdict: medium" in text


def test_programs_get_one_object_per_event_and_a_verdict(tmp_path: Path) -> None:
    path = tmp_path / "kern.log"
    path.write_text(LOG, encoding="utf-8")
    rows = [
        json.loads(row) for row in command(None, "explain", str(path), "--json")[1].splitlines()
    ]
    assert rows[-1] == {"verdict": "medium"}
    assert {"category", "subject", "time"} <= set(rows[0])


def test_a_file_that_is_not_there_is_a_wrong_word() -> None:
    assert command(None, "explain", "no-such-file")[0] == Exit.WRONG_WORDS


def test_what_it_means_fits_a_narrow_terminal_and_the_line_stays_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    path = tmp_path / "kern.log"
    path.write_text(LOG, encoding="utf-8")
    lines = command(None, "explain", str(path))[1].splitlines()
    assert [x for x in lines if len(x) > 80 and not x.startswith("  line ")] == []
    (shown,) = [x.removeprefix("  line ").strip() for x in lines if x.startswith("  line ")]
    assert shown in LOG


@pytest.mark.parametrize("more", [(), ("--json",)])
def test_an_empty_log_is_no_verdict_that_all_is_harmless(
    tmp_path: Path, more: tuple[str, ...]
) -> None:
    path = tmp_path / "empty.log"
    path.touch()
    status, text = command(None, "explain", str(path), *more)
    assert status == Exit.REFUSED
    assert "No kernel line was found there" in text
    assert "erdict" not in text
