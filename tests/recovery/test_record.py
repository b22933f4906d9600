from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.recovery.world import START, Followed, World
from watcher.facts.pool import MemberState
from watcher.recovery.record import STEP_WORDS, WAY, DetourKind, LostMember, Recovery, Step


def lost(**members: MemberState) -> Recovery:
    made = Followed(World.of("a", "b", "c", bears=2))
    made.look()
    made.world.now += timedelta(minutes=10)
    for name, state in members.items():
        made.world.set(name, state)
    made.look()
    assert made.recovery is not None
    return made.recovery


def test_every_step_has_its_words_and_its_place() -> None:
    assert tuple(STEP_WORDS) == WAY
    assert WAY[0] is Step.MAKE_SURE
    assert WAY[-1] is Step.WHOLE


def test_a_recovery_is_at_its_last_stay() -> None:
    with pytest.raises(ValueError, match="last step"):
        replace(lost(a=MemberState.FAILED), step=Step.SWAP)


def test_the_gravest_detour_comes_first() -> None:
    found = lost(a=MemberState.FAILED, b=MemberState.FAILED, c=MemberState.FAILED)
    assert found.standing_detours[0].kind is DetourKind.BEYOND_MARGIN
    assert next(iter(DetourKind)) is DetourKind.BEYOND_MARGIN


def test_what_is_pulled_by_hand_is_missing_and_not_to_be_replaced() -> None:
    found = lost(a=MemberState.FAILED)
    hand = LostMember(name="b", role=found.lost[0].role, since=START, by_hand=True)
    both = replace(found, lost=(*found.lost, hand))
    assert [m.name for m in both.missing] == ["a", "b"]
    assert [m.name for m in both.to_replace] == ["a"]


def test_a_member_without_a_label_is_called_by_its_name() -> None:
    assert (
        LostMember(name="slot 1", role=lost(a=MemberState.FAILED).lost[0].role, since=START).where
        == "slot 1"
    )


def test_times_must_be_in_utc() -> None:
    found = lost(a=MemberState.FAILED)
    with pytest.raises(ValueError, match="UTC"):
        replace(found, opened_at=found.opened_at.replace(tzinfo=None))
