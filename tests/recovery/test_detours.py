"""What begins and ends a detour, beside the scenarios that show each on its way."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.recovery.world import SECTORS, Followed, World
from watcher.facts.pool import MemberState, Noted, PoolKind, Remark
from watcher.recovery.record import DetourKind, Recovery, Step

TEN = timedelta(minutes=10)


def hurt(bears: int = 2) -> Followed:
    made = Followed(World.of("a", "b", "c", "d", bears=bears))
    made.look()
    made.world.now += TEN
    made.world.set("b", MemberState.FAILED)
    made.look()
    return made


def after(made: Followed, **states: str) -> Recovery:
    made.world.now += TEN
    for name, state in states.items():
        made.world.set(name, MemberState(state))
    made.look()
    assert made.recovery is not None
    return made.recovery


def test_a_good_drive_that_vanishes_while_another_is_announced_was_pulled() -> None:
    made = hurt()
    made.world.announced = {"d-b"}
    made.world.away = {"d-c"}
    found = after(made, c="missing")
    assert found.detour(DetourKind.WRONG_PULLED) is not None
    assert [m.where for m in found.to_replace] == ["d-b"]


@pytest.mark.parametrize("why", ["guilty", "still here", "drives not listed", "nothing announced"])
def test_what_may_have_other_reasons_is_a_second_loss(why: str) -> None:
    made = hurt()
    made.world.announced = set() if why == "nothing announced" else {"d-b"}
    made.world.away = set() if why == "still here" else {"d-c"}
    if why == "guilty":
        made.world.guilt["d-c"] = "24 pending sectors"
    made.world.lists_drives = why != "drives not listed"
    found = after(made, c="missing" if why != "still here" else "failed")
    assert found.detour(DetourKind.WRONG_PULLED) is None
    assert found.detour(DetourKind.SECOND_LOSS) is not None


def test_what_is_lost_after_the_first_is_back_is_no_further_loss() -> None:
    """Whole and not yet checked: the next drive that fails is the only one that is out."""
    made = hurt(bears=1)
    after(made, b="good")
    found = after(made, c="failed")
    assert found.detour(DetourKind.SECOND_LOSS) is None
    assert after(made, b="failed").detour(DetourKind.SECOND_LOSS) is not None


def test_a_pulled_drive_that_turns_out_bad_is_a_loss_after_all() -> None:
    made = hurt()
    made.world.announced = {"d-b"}
    made.world.away = {"d-c"}
    after(made, c="missing")
    made.world.away = set()
    made.world.guilt["d-c"] = "the drive itself says that it is failing"
    found = after(made, c="failed")
    assert found.detour(DetourKind.WRONG_PULLED) is None
    assert found.detour(DetourKind.SECOND_LOSS) is not None
    assert [m.where for m in found.to_replace] == ["d-b", "d-c"]


def test_a_drive_that_leaves_at_the_swap_was_pulled_also_without_an_announcement() -> None:
    made = hurt()
    made.world.sizes["n1"] = SECTORS
    made.world.proofs["n1"] = "its burn-in passed"
    assert after(made).step is Step.SWAP
    made.world.away = {"d-c"}
    assert after(made, c="missing").detour(DetourKind.WRONG_PULLED) is not None


@pytest.mark.parametrize(("hours", "pulled"), [(1, True), (13, False)])
def test_a_drive_that_leaves_after_the_new_one_did_was_pulled_for_a_while(
    hours: int, pulled: bool
) -> None:
    """The person who took the new drive out may still be at the box."""
    made = hurt()
    made.world.sizes["n1"] = SECTORS
    made.world.proofs["n1"] = "its burn-in passed"
    assert after(made).step is Step.SWAP
    made.world.away = {"n1"}
    after(made)
    made.world.now += timedelta(minutes=30)
    assert after(made).step is Step.GET_DRIVE
    made.world.now += timedelta(hours=hours)
    made.world.away = {"n1", "d-c"}
    gone = after(made, c="missing")
    assert (gone.detour(DetourKind.WRONG_PULLED) is not None) is pulled


def test_the_old_drive_is_only_back_when_it_was_away() -> None:
    made = hurt()
    assert after(made).detour(DetourKind.OLD_BACK) is None
    made.world.away = {"d-b"}
    after(made)
    made.world.away = set()
    assert after(made).detour(DetourKind.OLD_BACK) is not None
    assert after(made, b="good").detour(DetourKind.OLD_BACK) is None


def test_harm_is_kept_when_its_remark_is_gone() -> None:
    made = hurt()
    made.world.notes = [Noted(remark=Remark.DAMAGED_DATA, text="3 files are damaged.")]
    after(made)
    made.world.notes = []
    found = after(made, b="good")
    assert found.harm == ("3 files are damaged.",)


def test_a_pool_that_was_broken_says_so_in_its_record() -> None:
    made = hurt(bears=1)
    after(made, c="failed")
    found = after(made, c="good")
    assert found.detour(DetourKind.BEYOND_MARGIN) is None
    assert any("out of reach" in text for text in found.harm)


def test_a_pool_that_is_gone_keeps_what_was_known_of_it() -> None:
    made = hurt()
    after(made, c="failed")
    made.world.sight = "unlisted"
    found = after(made)
    kinds = {d.kind for d in found.standing_detours}
    assert kinds == {DetourKind.BEYOND_MARGIN, DetourKind.SECOND_LOSS}


def test_changes_that_parity_did_not_cover_are_counted_as_harm() -> None:
    made = Followed(World.of("a", "b", "p", bears=1, kind=PoolKind.FILE_PARITY))
    made.look()
    made.world.notes = [Noted(remark=Remark.UNSYNCED, text="3 files changed", amount=3)]
    found = after(made, b="missing")
    assert any("last sync" in text for text in found.harm)
