"""Planned work on the command line: now, ahead, and again and again."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.state import command, prepare
from watcher.cli.exits import Exit


@pytest.fixture
def config(tmp_path: Path) -> Path:
    return prepare(tmp_path, lose="")


def test_work_is_announced_listed_and_ended(config: Path) -> None:
    """The caution about bay and serial number is part of the answer."""
    words = ["--pool", "orchard", "--expect", "replace bay 3", "--for", "3h", "--by", "ada"]
    status, text = command(config, "maintenance", "begin", *words)
    assert status == 0, text
    assert "Anything else sounds at once" in text
    assert "serial number must both match" in text
    _, text = command(config, "maintenance", "list")
    assert "orchard" in text
    assert "ada: replace bay 3" in text
    status, text = command(config, "maintenance", "end", "1", "--by", "ada")
    assert status == 0
    assert "Planned work 1 is over" in text
    assert command(config, "maintenance", "list") == (0, "Nothing is planned.\n")


def test_a_plan_that_comes_again_says_when(config: Path) -> None:
    """The first start moves to the first Saturday of a month, and three more are named."""
    words = ["--start", "2030-01-01 22:00", "--for", "PT2H", "--by", "ada"]
    rule = "FREQ=MONTHLY;BYDAY=1SA"
    more = ["--expect", "box off", "--repeat", rule]
    status, text = command(config, "maintenance", "plan", *words, *more)
    assert status == 0, text
    assert "from Sat 05 Jan 2030 22:00 to Sun 06 Jan 2030 00:00" in text
    assert "Sat 02 Feb 2030 22:00, Sat 02 Mar 2030 22:00, Sat 06 Apr 2030 22:00" in text
    _, text = command(config, "maintenance", "list")
    assert rule in text.replace("\n", "")


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["--for", "PT", "--expect", "degraded"], Exit.WRONG_WORDS, "is no length of time"),
        (["--for", "3", "--expect", "degraded"], Exit.WRONG_WORDS, "write 90min, 3h or 2d"),
        (["--for", "P1M", "--expect", "degraded"], Exit.WRONG_WORDS, "no fixed length"),
        (["--for", "3h", "--expect", "a miracle"], Exit.WRONG_WORDS, "is not understood"),
        (["--for", "3h", "--expect", "replace bay 99"], Exit.NOT_FOUND, "bay 99"),
        (["--for", "3h", "--expect", "degraded", "--pool", "x"], Exit.NOT_FOUND, "orchard"),
        (["--for", "400d", "--expect", "degraded"], Exit.REFUSED, "at most"),
    ],
)
def test_what_is_not_understood_is_refused_with_what_would_be_right(
    config: Path, words: list[str], status: int, said: str
) -> None:
    found, text = command(config, "maintenance", "begin", *words, "--by", "ada")
    assert found == status, text
    assert said in text


@pytest.mark.parametrize("rule", ["now and then", "FREQ=HOURLY", "FREQ=DAILY;BYHOUR=3"])
def test_a_rule_that_is_none_or_comes_too_often_is_refused(config: Path, rule: str) -> None:
    words = ["--start", "2030-01-01 22:00", "--for", "2h", "--expect", "degraded"]
    found, text = command(config, "maintenance", "plan", *words, "--repeat", rule, "--by", "ada")
    assert found == Exit.WRONG_WORDS, text


def test_work_that_comes_again_before_it_is_over_is_refused(config: Path) -> None:
    words = ["--start", "2030-01-01 22:00", "--expect", "box off", "--repeat", "weekly"]
    plan = ("maintenance", "plan", "--by", "ada", *words)
    for lasts in ("8d", "7d"):  # the one that begins as the first ends would be left out
        found, text = command(config, *plan, "--for", lasts)
        assert (found, "come again before it is over" in text) == (Exit.REFUSED, True), text
    assert command(config, *plan, "--for", "6d")[0] == 0


def test_planned_work_that_is_not_there_is_not_found(config: Path) -> None:
    found, text = command(config, "maintenance", "end", "99")
    assert found == Exit.NOT_FOUND
    assert "There is no planned work 99. midwatch maintenance list shows it." in text


def test_a_rule_that_never_comes_is_refused(config: Path) -> None:
    words = ["--start", "2030-01-01 22:00", "--for", "2h", "--expect", "degraded", "--by", "ada"]
    rule = "FREQ=YEARLY;BYMONTH=1;UNTIL=20290101"
    found, text = command(config, "maintenance", "plan", *words, "--repeat", rule)
    assert found == Exit.WRONG_WORDS, text
    assert "never comes" in text
