"""The story is told through the real readers and desk, and ends where it should."""

from __future__ import annotations

import re

import pytest

from watcher.cli.play import Pace, Player
from watcher.demo.story import BOX, ORCHARD


@pytest.fixture(scope="module")
def played() -> tuple[Player, str]:
    lines: list[str] = []
    player = Player(Pace(write=lines.append, pause=lambda _: None, width=100))
    player.play()
    return player, "\n".join(lines)


def test_the_owner_hears_of_each_turn_and_of_the_end(played: tuple[Player, str]) -> None:
    player, _ = played
    titles = [message.title for message in player.messages]
    assert titles[0].startswith("This week")
    assert any("lost margin" in title for title in titles)
    assert any("not announced" in title and "no margin left" in title for title in titles)
    assert sum(title.startswith("All clear") for title in titles) == 2  # the cable, the drive
    assert any(title.startswith("All clear") for title in titles[-2:])
    assert len(titles) <= 16


def test_what_can_wait_waits_until_the_owner_is_up(played: tuple[Player, str]) -> None:
    """As the story says: in the night only what cannot wait makes a sound."""
    player, _ = played
    nightly = [
        notice.title
        for notice in player.messages
        if not 7 <= notice.created_at.hour < 22 and not notice.title.startswith("Now")
    ]
    assert nightly == []


def test_the_wrong_drive_is_named_beside_the_announced_one(played: tuple[Player, str]) -> None:
    player, _ = played
    (wrong,) = [m for m in player.messages if "no margin left" in m.title]
    assert "bay 4" in wrong.body
    assert "replace bay 5" in wrong.body


def test_nothing_is_left_open_and_the_old_drive_is_not_expected(played: tuple[Player, str]) -> None:
    player, _ = played
    with player.store.snapshot() as tx:
        book = tx.load_book(BOX)
        survey = tx.last_survey(BOX)
        gone = [drive.identity.serial for drive in tx.drives(BOX) if not drive.in_use]
    assert [case for case in book.open_cases if not case.only_notes] == []
    assert survey is not None
    (orchard,) = [pool for pool in survey.pools if pool.pool == ORCHARD]
    assert (orchard.margin, orchard.full_margin) == (2, 2)
    assert gone == ["BR4859"]


def test_a_shelf_spare_would_have_helped(played: tuple[Player, str]) -> None:
    _, text = played
    found = re.findall(r"until then 1 in (\d+)", text.replace(",", ""))
    without, with_spare = int(found[0]), int(found[1])
    assert with_spare > without


def test_every_line_fits_the_width(played: tuple[Player, str]) -> None:
    _, text = played
    assert [line for line in text.splitlines() if len(line) > 118] == []
