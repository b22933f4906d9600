"""What a person at a terminal sees of drives that do not answer, and their way out."""

from __future__ import annotations

import signal
from contextlib import suppress
from datetime import UTC, datetime

import pytest

from watcher.cli.waiting import END, FirstLook, Mention, Waiter, say_silence, terminal_waiter
from watcher.demo.story import new_box
from watcher.facts.identity import BoxId
from watcher.facts.survey import Survey
from watcher.readers.drive_target import DriveTarget
from watcher.readers.drives import Silence
from watcher.readers.kernel_log import Position
from watcher.readers.survey import Looking, Patience, Surveyor
from watcher.readers.taken import Taken

TAKEN = Taken(
    survey=Survey(survey="s", box=BoxId("attic"), taken_at=datetime(2026, 3, 2, tzinfo=UTC)),
    position=None,
)
SDB = DriveTarget(node="/dev/sdb", bay="3")


def silence(*targets: DriveTarget, waited: float = 12.4) -> Silence:
    return Silence(
        silent=targets, waited_seconds=waited, limit_seconds=60.0, so_far=lambda: ((), ())
    )


@pytest.mark.parametrize(
    ("targets", "said"),
    [
        ((SDB,), "No answer yet: bay 3 (sdb), 12 s of at most 60 s. Ctrl-C: without it."),
        (
            tuple(DriveTarget(node=f"/dev/sd{letter}") for letter in "bcdefg"),
            "No answer yet: sdb, sdc, sdd and 3 more, 12 s of at most 60 s. Ctrl-C: without them.",
        ),
        (
            (DriveTarget(node="/dev/bus/0", device_type="megaraid,4"),),
            "No answer yet: bus/0 megaraid,4, 12 s of at most 60 s. Ctrl-C: without it.",
        ),
    ],
)
def test_a_line_says_who_is_silent_and_for_how_long_it_is_waited_for(
    targets: tuple[DriveTarget, ...], said: str
) -> None:
    assert say_silence(silence(*targets)) == said


def test_nothing_is_said_of_drives_that_answer_at_once() -> None:
    said: list[str] = []
    assert Waiter(None, said.append).goes_on(silence(SDB, waited=1.0))
    assert said == []


def test_the_rest_is_shown_and_the_end_says_for_whom_it_is_shown_again() -> None:
    shown: list[Taken] = []
    waiter = Waiter(shown.append, print)
    assert waiter.ending() == ""
    waiter.early(TAKEN)
    waiter.goes_on(silence(SDB))
    assert shown == [TAKEN]
    assert "Now with bay 3 (sdb)" in waiter.ending()


def test_ctrl_c_goes_on_without_the_silent_ones_and_a_second_one_ends_all() -> None:
    said: list[str] = []
    waiter = Waiter(print, said.append)
    before = signal.getsignal(signal.SIGINT)
    with waiter.listening():
        assert waiter.goes_on(silence(SDB))
        waiter.early(TAKEN)
        signal.raise_signal(signal.SIGINT)
        assert not waiter.goes_on(silence(SDB))
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    assert signal.getsignal(signal.SIGINT) is before
    assert "Not waited for any longer: bay 3 (sdb)." in waiter.ending()


def test_after_ctrl_c_the_rest_is_shown_once_at_the_end_and_not_twice() -> None:
    shown: list[Taken] = []
    waiter = Waiter(shown.append, print)
    with waiter.listening():
        signal.raise_signal(signal.SIGINT)
        waiter.early(TAKEN)
    assert (shown, waiter.shown, waiter.ending()) == ([], False, "")


def test_where_nobody_sits_there_is_nobody_who_waits() -> None:
    assert terminal_waiter(print, for_programs=False) is None


def test_in_a_watch_the_way_out_is_the_end() -> None:
    said = "No answer yet: bay 3 (sdb), 12 s of at most 60 s. Ctrl-C ends the watch."
    assert say_silence(silence(SDB), END) == said


def test_for_the_journal_the_silent_drives_are_named_once() -> None:
    said: list[str] = []
    waits = Mention(said.append)
    assert all(waits.goes_on(silence(SDB, waited=seconds)) for seconds in (1, 3.9))
    assert said == []
    assert all(waits.goes_on(silence(SDB, waited=seconds)) for seconds in (4.1, 5, 50))
    waits.over()
    assert said == ["No answer yet: bay 3 (sdb). Waiting up to 60 s."]


class Surveys(Surveyor):
    """Notes who waits for each look."""

    def __init__(self) -> None:
        super().__init__(new_box(), Looking(box=BoxId("attic")))
        self.patience: list[Patience | None] = []
        self.fails = False

    def take(
        self,
        survey: str,
        now: datetime,
        *,
        position: Position | None = None,
        deep: bool = False,
        patience: Patience | None = None,
    ) -> Taken:
        del survey, now, position, deep
        self.patience.append(patience)
        if self.fails:
            raise OSError(5, "no")
        return TAKEN


@pytest.mark.parametrize("fails", [False, True])
def test_only_the_first_look_is_waited_for_and_its_end_is_heard(*, fails: bool) -> None:
    said: list[str] = []
    surveys, waits = Surveys(), Waiter(None, said.append)
    surveys.fails = fails
    first = FirstLook(surveys, waits)
    for _ in range(3):
        with suppress(OSError):
            assert first.take("s", TAKEN.survey.taken_at) is TAKEN
    assert surveys.patience == [waits, None, None]
    assert said == [""], "the progress is taken away, once"
