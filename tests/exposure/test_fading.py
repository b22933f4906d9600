"""A drive fades while the pool still stands whole."""

from __future__ import annotations

from dataclasses import replace

from tests.exposure.pools import NOW, fading_life, lives, name, parity, pool
from watcher.exposure.choices import Choice, ChoiceKind, Ranking
from watcher.exposure.fading import choices_while_whole
from watcher.exposure.life import DriveLife
from watcher.exposure.window import Spare, WindowPlan
from watcher.facts.identity import DriveId
from watcher.facts.pool import PoolKind

SHELF = WindowPlan(spare=Spare.PROVEN)


def ranked(
    drives: dict[DriveId, DriveLife], bears: int = 1, plan: WindowPlan = SHELF, **changes: object
) -> Ranking:
    return choices_while_whole(
        pool(parity(6, bears), **changes),
        drives,
        plan,
        NOW,
        scrub_age_hours=500.0,
        label={name(3): "bay 3", name(4): "bay 4"},
    )


def only(found: Ranking, kind: ChoiceKind, drive: int | None = None) -> Choice:
    return next(
        c for c in found.choices if c.kind is kind and (drive is None or c.drive == name(drive))
    )


def test_sound_drives_leave_nothing_to_choose() -> None:
    assert ranked(lives(6)).choices == ()


def test_replacing_while_the_margin_is_full_is_safer_than_waiting() -> None:
    found = ranked({**lives(6), name(3): fading_life(3, 30.0)})
    keeping = only(found, ChoiceKind.REPLACE_KEEPING)
    assert found.best == keeping
    assert "bay 3" in keeping.title
    assert keeping.measure < only(found, ChoiceKind.WAIT).measure


def test_keeping_the_old_drive_in_is_safer_than_pulling_it() -> None:
    for bears in (1, 2):
        found = ranked({**lives(6), name(3): fading_life(3, 20.0)}, bears)
        keeping = only(found, ChoiceKind.REPLACE_KEEPING)
        pulling = only(found, ChoiceKind.REPLACE_PULLING)
        assert keeping.measure < pulling.measure
        assert keeping.hours_bare < pulling.hours_bare


def test_a_drive_that_does_not_answer_cannot_be_kept_nor_can_every_stack() -> None:
    silent = ranked({**lives(6), name(3): fading_life(3, answers=False)})
    assert ChoiceKind.REPLACE_KEEPING not in {c.kind for c in silent.choices}
    plain = ranked({**lives(6), name(3): fading_life(3)}, kind=PoolKind.FILE_PARITY)
    assert ChoiceKind.REPLACE_KEEPING not in {c.kind for c in plain.choices}


def test_of_two_fading_drives_the_worse_goes_first() -> None:
    drives = {**lives(6), name(3): fading_life(3, 10.0), name(4): fading_life(4, 60.0)}
    found = ranked(drives, 2)
    assert found.best is not None
    assert found.best.drive == name(4)
    first = only(found, ChoiceKind.REPLACE_KEEPING, 4)
    assert first.measure < only(found, ChoiceKind.REPLACE_KEEPING, 3).measure


def test_worse_signs_make_waiting_worse() -> None:
    waits = [
        only(ranked({**lives(6), name(3): fading_life(3, risk)}), ChoiceKind.WAIT).measure
        for risk in (5.0, 10.0, 20.0, 40.0)
    ]
    assert waits == sorted(waits)


def test_a_long_delivery_makes_replacing_worth_less_but_never_worse_than_waiting() -> None:
    drives = {**lives(6), name(3): fading_life(3, 20.0)}
    soon = only(ranked(drives), ChoiceKind.REPLACE_KEEPING)
    slow = replace(SHELF, spare=Spare.NONE, delivery_working_days=(5, 10, 20))
    found = ranked(drives, plan=slow)
    late = only(found, ChoiceKind.REPLACE_KEEPING)
    assert late.measure > soon.measure
    assert late.measure <= only(found, ChoiceKind.WAIT).measure * (1 + 1e-9)
