from __future__ import annotations

from datetime import timedelta

from tests.recovery.world import SECTORS, Followed, World
from watcher.facts.pool import MemberState
from watcher.recovery.ground import ground_of
from watcher.recovery.record import LostMember, Recovery, Step

TEN = timedelta(minutes=10)


def whole(bears: int = 2) -> Followed:
    made = Followed(World.of("a", "b", "c", "d", "e", bears=bears))
    made.look()
    made.world.now += TEN
    return made


def step(made: Followed, **states: str) -> Recovery:
    for name, state in states.items():
        made.world.set(name, MemberState(state))
    made.look()
    made.world.now += TEN
    assert made.recovery is not None
    return made.recovery


def names(members: tuple[LostMember, ...]) -> list[str]:
    return [m.where for m in members]


def test_a_member_whose_device_is_gone_is_told_by_the_drive_that_left() -> None:
    made = whole()
    made.world.away = {"d-c"}
    found = step(made, c="missing")
    assert names(found.missing) == ["d-c"]
    assert found.missing[0].was_away


def test_a_member_that_changes_its_name_is_no_second_loss() -> None:
    """md first shows the failed device, then an empty slot."""
    made = whole()
    step(made, c="failed")
    made.world.away = {"d-c"}
    made.world.members = {
        ("slot 2" if name == "c" else name): what for name, what in made.world.members.items()
    }
    found = step(made, **{"slot 2": "missing"})
    assert names(found.lost) == ["d-c"]


def test_a_second_loss_is_one_also_when_neither_has_a_device() -> None:
    made = whole()
    made.world.away = {"d-c"}
    step(made, c="missing")
    made.world.away = {"d-c", "d-e"}
    found = step(made, e="missing")
    assert names(found.missing) == ["d-c", "d-e"]


def test_a_member_that_comes_back_is_not_missing_any_more() -> None:
    made = whole()
    step(made, c="failed")
    step(made, e="failed")
    found = step(made, c="good")
    assert names(found.missing) == ["d-e"]
    again = step(made, c="failed")
    assert names(again.missing) == ["d-c", "d-e"]


def test_where_drives_are_not_listed_none_is_called_away() -> None:
    made = whole()
    made.world.lists_drives = False
    assert not step(made, c="failed").lost[0].was_away


def test_the_new_drive_is_not_forgotten_while_it_is_out_of_the_box() -> None:
    """It may be tested on another machine, or the box is down for the swap."""
    made = whole()
    step(made, c="failed")
    made.world.sizes["n1"] = SECTORS
    assert step(made).new_drive == "n1"
    made.world.away = {"n1"}
    assert step(made).new_drive == "n1"


def test_of_two_losses_the_one_that_was_filled_is_made_good() -> None:
    made = whole()
    step(made, b="failed", c="failed")
    made.world.sizes["n1"] = SECTORS
    made.world.put("n1", "b", MemberState.REBUILDING)
    filling = step(made)
    assert filling.new_joined
    found = step(made, b="good")
    assert names(found.missing) == ["d-c"]
    assert found.filled == ("n1 (n1)",)
    assert (found.new_drive, found.new_joined) == (None, False)


def test_while_a_member_cannot_be_told_none_is_called_made_good() -> None:
    made = whole()
    step(made, b="failed", c="failed")
    made.world.sizes["n1"] = SECTORS
    made.world.put("n1", "b", MemberState.GOOD)
    found = step(made, a="unknown")
    assert len(found.missing) == 2


def test_a_misfit_is_said_once() -> None:
    made = whole()
    step(made, c="failed")
    made.world.sizes["n1"] = SECTORS - 1
    said = []
    for _ in range(3):
        said += [event.what for event in made.look()]
        made.world.now += TEN
    assert said.count("recovery-misfit") == 1


def test_a_drive_that_is_announced_later_joins_the_recovery() -> None:
    made = whole()
    step(made, c="failed")
    made.world.announced = {"d-a"}
    found = step(made)
    assert [(m.where, m.planned) for m in found.missing] == [("d-c", False), ("d-a", True)]
    assert not found.is_planned


def labels(found: Recovery) -> list[str]:
    return names(found.to_replace)


def test_a_drive_that_is_proven_takes_the_place_of_one_that_is_not() -> None:
    """Two came, the second passed its burn-in: that one goes in, whatever was named before."""
    made = whole()
    step(made, c="failed")
    made.world.sizes["n1"] = made.world.sizes["n2"] = SECTORS
    made.world.prove_first = True
    found = step(made)
    assert (found.step, found.new_drive) == (Step.PROVE, "n1")
    made.world.proofs["n2"] = "its burn-in passed"
    found = step(made)
    assert (found.step, found.new_drive) == (Step.SWAP, "n2")
    made.world.proofs["n1"] = "its burn-in passed"
    assert step(made).new_drive == "n2", "as good is not better"


def test_a_planned_member_that_works_stays_in_while_another_is_out() -> None:
    """Without margin its removal would cost the data: the one that is out comes first."""
    made = whole(bears=1)
    made.world.announced = {"d-b"}
    assert labels(step(made)) == ["d-b"]
    made.world.proofs["n1"] = "its burn-in passed"
    made.world.sizes["n1"] = SECTORS
    found = step(made, a="failed")
    assert labels(found) == ["d-a"]
    assert (found.step, found.new_drive) == (Step.SWAP, "n1")
    ground = ground_of(found, made.world.seen())
    assert (ground.old.endswith("D-A"), ground.planned) == (True, False)
    made.world.put("n1", "a", MemberState.REBUILDING)
    assert "d-b" not in labels(step(made))
    found = step(made, a="good")
    assert labels(found) == ["d-b"]
    made.world.sizes["n2"], made.world.proofs["n2"] = SECTORS, "its burn-in passed"
    found = step(made)
    ground = ground_of(found, made.world.seen())
    assert (found.new_drive, ground.old.endswith("D-B"), ground.planned) == ("n2", True, True)


def test_a_planned_member_that_fails_is_the_one_to_replace_and_not_another_that_works() -> None:
    made = whole(bears=1)
    made.world.announced = {"d-a", "d-b"}
    assert sorted(labels(step(made))) == ["d-a", "d-b"]
    assert labels(step(made, b="failed")) == ["d-b"]


def test_a_drive_that_the_pool_holds_is_not_named_for_the_next_place() -> None:
    """The first replacement is in and not yet verified when another drive is announced."""
    made = whole()
    step(made, c="failed")
    made.world.sizes["n1"] = SECTORS
    made.world.put("n1", "c", MemberState.REBUILDING)
    step(made)
    assert step(made, c="good").step is Step.VERIFY
    made.world.sizes["n2"], made.world.proofs["n2"] = SECTORS, "its burn-in passed"
    made.world.announced = {"d-a"}
    found = step(made)
    assert (found.step, found.new_drive, labels(found)) == (Step.MAKE_SURE, "n2", ["d-a"])
    found = step(made)
    assert (found.step, found.new_drive, labels(found)) == (Step.SWAP, "n2", ["d-a"])


def test_a_drive_that_was_filled_between_two_looks_is_not_named_for_the_other_place() -> None:
    made = whole()
    step(made, b="failed", c="failed")
    made.world.sizes["n1"] = made.world.sizes["n2"] = SECTORS
    made.world.proofs["n2"] = "its burn-in passed"
    made.world.put("n1", "b", MemberState.GOOD)
    found = step(made)
    assert (found.step, found.new_drive, labels(found)) == (Step.SWAP, "n2", ["d-c"])
