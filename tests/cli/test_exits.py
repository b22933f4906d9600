"""Every exit status has a meaning."""

from __future__ import annotations

from watcher.cli.exits import MEANING, Exit, Leave, Stop


def test_every_status_has_its_own_meaning() -> None:
    assert set(MEANING) == set(Exit)
    assert len(set(MEANING.values())) == len(MEANING)


def test_a_stop_carries_sentence_and_status() -> None:
    stop = Stop("There is no case 4.", Exit.NOT_FOUND)
    assert (str(stop), stop.status) == ("There is no case 4.", Exit.NOT_FOUND)


def test_who_leaves_at_once_says_with_which_status() -> None:
    assert (str(Leave(Exit.DONE)), Leave(Exit.DONE).status) == ("status 0", Exit.DONE)
