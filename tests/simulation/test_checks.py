"""The checkers themselves: each promise can break, and breaks where the run was tampered with."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from tests.simulation import checks
from tests.simulation.guards import Broken
from tests.simulation.stage import Stage
from tests.simulation.steps import LOUD, Step, walk
from tests.simulation.words import do
from watcher.cases.effects import Item
from watcher.cases.policy import Person, Policy
from watcher.cases.state import NoticeKind
from watcher.facts.finding import Urgency
from watcher.store.outbox import Notice

STORY = (
    "every 10m",
    "observe look",
    "observe bay 7 gone",
    "observe bay 3 condemns itself",
    "wait 20m",
    "every 30m",
    "wait 1d",
)


@pytest.fixture
def stage() -> Iterator[Stage]:
    """A bare pool, a drive that condemns itself, nobody who answers."""
    one = Stage(
        start=datetime(2026, 3, 2, 12, 0, tzinfo=UTC),
        policy=Policy(people=(Person(name="ada"),)),
        full=False,
    )
    for line in STORY:
        do(one, line)
    yield one
    one.disk.close()


def without(steps: list[Step], leave_out: Callable[[Step], bool]) -> list[Step]:
    """Take away what was said in some steps."""
    return [replace(s, tells=() if leave_out(s) else s.tells) for s in steps]


def test_an_honest_run_keeps_every_promise(stage: Stage) -> None:
    """Nothing is broken where nothing was tampered with."""
    assert len(checks.check(stage)) > 50


def test_a_lost_book_is_noticed(stage: Stage) -> None:
    """The book is emptied behind the history's back."""
    book, steps = stage.book(), walk(stage)
    with stage.disk.store.transaction() as tx:
        tx.save_book(book.box, replace(book, cases=()))
    with pytest.raises(Broken, match="history"):
        checks.the_book_is_its_folded_history(stage, steps)


def test_a_word_that_was_not_decided_is_noticed(stage: Stage) -> None:
    """A row in the outbox that no decision stands behind, and a decision without a row."""
    with pytest.raises(Broken, match="decided"):
        checks.decided_is_written_once_and_nothing_else_is(
            stage, without(walk(stage), lambda step: step.at > stage.start + timedelta(hours=20))
        )


def test_a_message_that_never_arrived_is_noticed(stage: Stage) -> None:
    """One arrival is taken from the phone."""
    stage.phones["ada"].got.pop()
    with pytest.raises(Broken, match="never arrived"):
        checks.everything_arrives(stage, [])


def test_a_message_that_came_twice_is_noticed(stage: Stage) -> None:
    """One arrival is repeated, and no confirmation was cut off."""
    stage.phones["ada"].got.append(stage.phones["ada"].got[0])
    with pytest.raises(Broken, match="arrived again"):
        checks.it_arrives_again_only_where_a_confirmation_was_cut_off(stage, [])


def test_nagging_is_noticed(stage: Stage) -> None:
    """A reminder comes again a step later, and nothing has happened."""
    steps = walk(stage)
    at = next(n for n, s in enumerate(steps) if _reminds(s))
    later = replace(steps[at], lived=steps[at].lived + timedelta(minutes=1), changed=False)
    with pytest.raises(Broken, match="told again"):
        checks.nobody_is_told_again_beyond_the_ladder(
            stage, [*steps[: at + 1], later, *steps[at + 1 :]]
        )


def _reminds(step: Step) -> bool:
    return any(item.kind is NoticeKind.REMINDER for _, item in step.items)


def test_too_many_messages_are_noticed(stage: Stage) -> None:
    """One step that tells is repeated beyond the budget of a day."""
    one = next(s for s in walk(stage) if s.tells)
    with pytest.raises(Broken, match="too many"):
        checks.no_day_has_more_messages_than_a_person_can_take(stage, [one] * (checks.A_DAY + 1))


@pytest.mark.parametrize("title", ["x" * 161, "Today: bay 7 has 21480 sectors in doubt"])
def test_what_is_no_word_for_a_lock_screen_is_noticed(stage: Stage, title: str) -> None:
    """One row of the outbox gets another title."""
    row = replace(stage.outbox()[0], title=title)
    with pytest.raises(Broken, match="too long, or a raw counter"):
        checks.every_message_fits_a_lock_screen(_WithOutbox(stage, row), [])  # type: ignore[arg-type]


class _WithOutbox:
    """A stage whose outbox holds one row."""

    def __init__(self, stage: Stage, row: Notice) -> None:
        self.policy, self.outbox = stage.policy, lambda: (row,)


def test_a_trouble_in_two_cases_is_noticed(stage: Stage) -> None:
    """The case of the bare pool is there twice."""
    last = walk(stage)[-1]
    twice = (*last.after.cases, replace(last.after.cases[-1], number=99))
    step = replace(last, after=replace(last.after, cases=twice))
    with pytest.raises(Broken, match="has 2 cases"):
        checks.one_trouble_is_one_case(stage, [step])


def test_silence_about_a_pool_is_noticed(stage: Stage) -> None:
    """Nobody is told of the loss of margin; or once, and never again."""
    steps = walk(stage)
    with pytest.raises(Broken, match="cellar is 2 since"):
        checks.pools_and_drives_are_told_of_as_they_are(stage, without(steps, lambda _: True))
    with pytest.raises(Broken, match="unanswered, and silent"):
        checks.pools_and_drives_are_told_of_as_they_are(stage, without(steps, _reminds))


def test_silence_about_a_drive_is_noticed(stage: Stage) -> None:
    """Nobody is told of the drive that condemns itself."""
    steps = [_without_case(step, "md:orchard") for step in walk(stage)]
    with pytest.raises(Broken, match="A8_S003 fails since"):
        checks.pools_and_drives_are_told_of_as_they_are(stage, steps)


def _without_case(step: Step, place: str) -> Step:
    """Take away what was said of the cases at a place."""
    numbers = {c.number for c in step.after.cases if c.locus.key == place}
    tells = [
        replace(tell, items=tuple(i for i in tell.items if i.case not in numbers))
        for tell in step.tells
    ]
    return replace(step, tells=tuple(tell for tell in tells if tell.items))


def test_an_all_clear_that_is_not_true_is_noticed(stage: Stage) -> None:
    """The first word about the bare pool becomes an all-clear."""
    steps = walk(stage)
    number = next(c.number for c in steps[-1].after.cases if c.locus.key == "md:cellar")
    at = next(n for n, s in enumerate(steps) if any(i.case == number for _, i in s.loud))
    tell = steps[at].tells[0]
    item = Item(
        kind=NoticeKind.ALL_CLEAR,
        case=number,
        number=1,
        urgency=Urgency.NOTE,
        about="",
        finding="",
    )
    steps[at] = replace(steps[at], tells=(replace(tell, items=(item,)),))
    with pytest.raises(Broken, match="all clear for cellar"):
        checks.pools_and_drives_are_told_of_as_they_are(stage, steps)
    assert NoticeKind.ALL_CLEAR not in LOUD
