"""Times as people write them."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.cli.state import SETTINGS, command, prepare
from tests.lab.small_disks import make_read_only, small_disk
from tests.store.test_migrate import make_version
from watcher.cli.exits import Exit
from watcher.cli.parts import hint_of_rights, parse_span, parse_until
from watcher.facts.drive import Unread
from watcher.facts.identity import BoxId
from watcher.facts.survey import Blindness, Survey
from watcher.service import mounted
from watcher.service.state import STORE_NAME

VIENNA = ZoneInfo("Europe/Vienna")
NOW = datetime(2026, 11, 25, 14, 0, tzinfo=UTC)  # a Wednesday, 15:00 in Vienna


@pytest.mark.parametrize(
    ("text", "span"),
    [
        ("3h", timedelta(hours=3)),
        ("90min", timedelta(minutes=90)),
        ("90m", timedelta(minutes=90)),
        ("1d12h", timedelta(hours=36)),
        ("2w", timedelta(weeks=2)),
        ("1.5 h", timedelta(minutes=90)),
    ],
)
def test_spans(text: str, span: timedelta) -> None:
    assert parse_span(text) == span


@pytest.mark.parametrize(
    "text", ["", "h", "3", "3x", "3h later", "1e9h", "P", "PT", "999999d", "9" * 400 + "d"]
)
def test_what_is_no_span(text: str) -> None:
    assert parse_span(text) is None


@pytest.mark.parametrize(
    ("text", "local"),
    [
        ("3h", "2026-11-25 18:00"),
        ("18:30", "2026-11-25 18:30"),
        ("07:30", "2026-11-26 07:30"),
        ("fri", "2026-11-27 18:00"),
        ("thurs 08:00", "2026-11-26 08:00"),
        ("Friday 08:00", "2026-11-27 08:00"),
        ("wed 12:00", "2026-12-02 12:00"),
        ("wed 16:00", "2026-11-25 16:00"),
        ("2026-12-01", "2026-12-01 18:00"),
        ("2026-12-01 09:15", "2026-12-01 09:15"),
    ],
)
def test_until_when(text: str, local: str) -> None:
    moment = parse_until(text, NOW, VIENNA)
    assert moment is not None
    assert f"{moment.astimezone(VIENNA):%Y-%m-%d %H:%M}" == local


@pytest.mark.parametrize(
    "text",
    [
        *("", "soon", "25:00", "0h", "2020-01-01", "fri 99:00", "2026-13-01"),
        *("month", "2026-12-01t08", "99999999d"),
    ],
)
def test_what_is_no_time_ahead(text: str) -> None:
    assert parse_until(text, NOW, VIENNA) is None


def test_what_is_later_than_dates_can_hold_is_none() -> None:
    assert parse_until("9999-12-31 23:59", NOW, ZoneInfo("America/New_York")) is None


_WORD = st.sampled_from(["9", "12", "2026", "-", ":", " ", ".", "d", "h", "w", "min", "mon", "t"])


@given(st.one_of(st.text(max_size=30), st.lists(_WORD, max_size=12).map("".join)))
def test_any_text_is_a_time_ahead_or_none(text: str) -> None:
    moment = parse_until(text, NOW, VIENNA)
    assert moment is None or moment > NOW


def test_who_is_not_root_is_told_that_root_sees_more_when_something_is_hidden() -> None:
    clear = Survey(survey="s", box=BoxId("attic"), taken_at=datetime(2026, 3, 2, tzinfo=UTC))
    hidden = replace(
        clear, blind=(Blindness(source="md", why=Unread.FORBIDDEN, detail="d", remedy="r"),)
    )
    assert "sudo" in hint_of_rights(hidden, 1000)
    assert hint_of_rights(hidden, 0) == hint_of_rights(clear, 1000) == ""


@pytest.mark.root
def test_on_a_read_only_disk_commands_show_what_is_there_and_say_so(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", 16) as disk:
        config = prepare(disk)
        shutil.copy(config, tmp_path / "midwatch.yaml")
        status, writable = command(tmp_path / "midwatch.yaml", "cases")
        assert status == 0
        make_read_only(disk)
        for words in (("cases",), ("case", "1"), ("drives",), ("look",)):
            status, said = command(tmp_path / "midwatch.yaml", *words)
            assert status in {0, 10, 11}, (words, said)
            assert "cannot be written now, so this is what was written last on" in said, words
        status, said = command(tmp_path / "midwatch.yaml", "cases")
        assert writable in said, "the same cases as before"
        status, said = command(
            tmp_path / "midwatch.yaml", "ack", "1", "--by", "ada", "--until", "2h"
        )
        assert status == Exit.NO_STATE
        assert "mounted read-only" in said.splitlines()[-1]


def test_of_the_copy_made_before_a_newer_form_a_command_speaks_too(tmp_path: Path) -> None:
    (tmp_path / "state").mkdir()
    make_version(tmp_path / "state" / STORE_NAME, 1)
    config = tmp_path / "midwatch.yaml"
    config.write_text(SETTINGS.format(state=tmp_path / "state"), encoding="utf-8")
    assert "as it was before, it lies in" in command(config, "cases")[1]
    assert "as it was before" not in command(config, "cases")[1]


def test_where_the_file_system_of_the_state_is_lacking_that_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """ "Start the watch first" would be no help: it runs, and stands on memory."""
    fstab, state = tmp_path / "fstab", tmp_path / "state"
    fstab.write_text(f"UUID=5 {state} ext4 defaults,nofail 0 2\n", encoding="utf-8")
    monkeypatch.setattr(mounted, "FSTAB", fstab)
    settings = tmp_path / "midwatch.yaml"
    settings.write_text(SETTINGS.format(state=state), encoding="utf-8")
    for words in (("cases",), ("shelf",)):
        status, said = command(settings, *words)
        assert status == Exit.NO_STATE
        assert "is not mounted: see whether its drive is there" in " ".join(said.split())
    assert not state.exists()
