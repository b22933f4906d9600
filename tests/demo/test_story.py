"""The story is told through the real readers and desk, and ends where it should."""

from __future__ import annotations

import re
from difflib import SequenceMatcher
from pathlib import Path

import pytest

from watcher.cli.play import Pace, Player
from watcher.demo.story import BOX, ORCHARD, new_box, rebuild_to


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


def test_the_readme_shows_what_the_demo_shows(played: tuple[Player, str]) -> None:
    """Line by line in the same order; figures may differ, and one line in four by its wording."""
    readme = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
    shown = readme.partition("<!-- as midwatch demo shows it -->")[2].partition("<!-- end -->")[0]
    wanted = [_without_figures(line) for line in shown.splitlines() if line.strip(" `")]
    assert len(wanted) > 10
    there = [_without_figures(line) for line in played[1].splitlines()]
    same = SequenceMatcher(None, wanted, there, autojunk=False).get_matching_blocks()
    found = [line for block in same for line in wanted[block.a : block.a + block.size]]
    assert len(found) >= 0.75 * len(wanted), [line for line in wanted if line not in found]


def _without_figures(line: str) -> str:
    days = r"\b(Mon|Tue|Wed|Thu|Fri|Sat|Sun|Mar|Apr)\b|\d+"
    return " ".join(re.sub(days, "#", line).split())


def test_a_rebuild_goes_as_fast_as_it_says_and_slower_towards_the_end() -> None:
    """Else the end that is told from its speed is not the one that the story then shows."""
    box, told = new_box(), []
    array = box.array("md0")
    for hours in (1.0, 6.0, 12.0):
        rebuild_to(box, hours)
        before, said = array.rebuilt_kib, array.rebuild_kib_per_second
        rebuild_to(box, hours + 0.1)
        assert before is not None
        assert array.rebuilt_kib is not None
        assert (array.rebuilt_kib - before) / 360 == pytest.approx(said, rel=0.02)
        told.append(said)
    assert told == sorted(told, reverse=True)


def test_every_line_fits_the_width(played: tuple[Player, str]) -> None:
    _, text = played
    assert [line for line in text.splitlines() if len(line) > 118] == []
