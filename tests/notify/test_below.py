"""What stands below the first line."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.notify.phone_scenes import BARE, NOW, ORCHARD_CASE, OSLO, item
from watcher.cases.state import NoticeKind
from watcher.facts.finding import Urgency
from watcher.facts.pool import AtStake, Protection, Work, WorkKind, WorkState
from watcher.notify.below import action_lines, say_stake, standing_lines
from watcher.notify.message_facts import CaseExtras, LossChance
from watcher.notify.scene import Scene


def scene(extras: CaseExtras, kind: NoticeKind = NoticeKind.OPENED) -> Scene:
    return Scene(
        item=item(kind, Urgency.NOW),
        case=ORCHARD_CASE,
        extras=extras,
        box="attic",
        zone=OSLO,
        now=NOW,
    )


@pytest.mark.parametrize(
    ("protection", "words"),
    [
        (Protection.BROKEN, "lost or out of reach already"),
        (Protection.BARE, "margin 0 of 1. The next drive lost takes everything"),
        (Protection.THINNED, "margin 0 of 1"),
        (Protection.UNKNOWN, "not known"),
    ],
)
def test_what_is_at_stake_is_said_of_every_pool_that_is_not_whole(
    protection: Protection, words: str
) -> None:
    assert words in say_stake(scene(replace(BARE, protection=protection)))


def test_of_a_whole_pool_nothing_is_at_stake() -> None:
    assert say_stake(scene(replace(BARE, protection=Protection.WHOLE))) == ""


def test_where_drives_stand_alone_only_their_own_content_is_at_stake() -> None:
    text = say_stake(scene(replace(BARE, at_stake=AtStake.MEMBER)))
    assert text.endswith("takes what is on it.")


@pytest.mark.parametrize(
    ("fraction", "words"), [(0.996, "99% done"), (1.0, "100% done"), (0.0, "0% done")]
)
def test_progress_is_never_rounded_up(fraction: float, words: str) -> None:
    work = Work(kind=WorkKind.REBUILD, state=WorkState.PAUSED, done_fraction=fraction)
    lines = [line.text for line in standing_lines(scene(replace(BARE, work=work)))]
    assert f"Rebuild paused, {words}." in lines


def test_a_chance_without_a_window_does_not_speak_of_until_then() -> None:
    lines = [line.text for line in standing_lines(scene(replace(BARE, window=None)))]
    assert "Chance of loss: 1 in 48 (1 in 120 to 1 in 20)" in lines


def test_single_files_are_not_said_as_the_whole_pool() -> None:
    """One unreadable place in five, beside "everything in the pool", would read as one in five for
    all of it."""
    loss = LossChance(likely=0.2, low=0.1, high=0.9, beyond=0.0013)
    for stake, what in ((AtStake.POOL, "all of it"), (AtStake.MEMBER, "what sits on a drive")):
        extras = replace(BARE, loss=loss, at_stake=stake)
        lines = [line.text for line in standing_lines(scene(extras))]
        assert f"Chance of loss until then: 20% (10% to 90%), of losing {what} 1 in 770" in lines


def test_a_link_takes_the_place_of_the_command_and_a_monstrous_one_does_not() -> None:
    with_link = [line.text for line in action_lines(scene(BARE))]
    without = [line.text for line in action_lines(scene(replace(BARE, link="x" * 400)))]
    assert with_link[-1] == BARE.link
    assert without[-1] == "Take it: midwatch ack 7"
    named = replace(BARE, link="", box_option="--box 'front desk'")
    assert action_lines(scene(named))[-1].text == "Take it: midwatch ack 7 --box 'front desk'"


def test_one_next_step_is_not_said_twice() -> None:
    """A drive that left and its pool have the same next step."""
    said = [line.text for line in action_lines(scene(BARE))]
    assert sum(text.startswith("Then:") for text in said) == 1
    (lead, own) = (scene(BARE).finding, scene(BARE).pool_finding)
    assert lead is not None
    assert own is not None
    same = tuple(
        replace(h, finding=replace(h.finding, next_step="Check its cable."))
        for h in ORCHARD_CASE.held
    )
    shown = replace(scene(BARE), case=replace(ORCHARD_CASE, held=same))
    said = [line.text for line in action_lines(shown)]
    assert [text for text in said if "Check its cable." in text] == ["Next: Check its cable."]
    bare = "Leave it in, and bring the margin back. After that: Check its cable: power down first."
    later = tuple(replace(h, finding=replace(h.finding, next_step=bare)) for h in same)
    shown = replace(scene(BARE), case=replace(ORCHARD_CASE, held=later))
    said = [line.text for line in action_lines(shown)]
    assert "Next: Leave it in, and bring the margin back." in said, "no cable while it is bare"
    long = "First one thing and then another, which takes some words. " * 6
    same = tuple(
        replace(h, finding=replace(h.finding, next_step=f"{long}Touch no other.")) for h in same
    )
    shown = replace(scene(BARE), case=replace(ORCHARD_CASE, held=same))
    (step,) = [line.text for line in action_lines(shown) if line.text.startswith("Next:")]
    assert step.endswith("Touch no other."), "it has the room of both"


def test_margin_that_was_lost_and_is_back_is_not_said_to_be_there_still() -> None:
    whole = replace(BARE, protection=Protection.WHOLE, margin=1, full_margin=1, loss=None)
    texts = [line.text for line in standing_lines(scene(whole))]
    assert any("margin still 1 of 1." in text for text in texts)
    held = tuple(replace(h, cleared_at=NOW) for h in ORCHARD_CASE.held)
    shown = replace(scene(whole), case=replace(ORCHARD_CASE, held=held))
    texts = [line.text for line in standing_lines(shown)]
    assert any("full margin again, 1 of 1." in text for text in texts)


def test_who_need_not_act_is_not_told_to() -> None:
    lines = [line.text for line in action_lines(scene(BARE, NoticeKind.TAKEN))]
    assert lines == [BARE.link]
