from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.recovery.moments import bare, moment
from tests.recovery.world import SECTOR, SECTORS, Followed, World
from watcher.facts.drive import Medium, Protocol
from watcher.facts.identity import DriveId
from watcher.facts.pool import (
    MemberState,
    Noted,
    PoolKind,
    Remark,
    Role,
    Work,
    WorkKind,
    WorkState,
)
from watcher.recovery.advice import advise
from watcher.recovery.checklist import POWER_DOWN
from watcher.recovery.record import Step


@pytest.mark.parametrize("name", ["make sure", "swap"])
def test_who_touches_hardware_is_told_to_power_down_and_which_drive(name: str) -> None:
    _, advice, _ = moment(name)
    text = " ".join(advice.tasks)
    assert POWER_DOWN in text
    assert "serial number" in text
    assert "d-e" in text


def test_the_swap_names_what_goes_what_comes_and_what_stays() -> None:
    _, advice, _ = moment("swap")
    text = " ".join(advice.tasks)
    assert "Out goes: d-e" in text
    assert "In goes: n1" in text
    stays = next(t for t in advice.tasks if t.startswith("These stay in"))
    assert all(f"d-{m}" in stays for m in "abcdf")
    assert "d-e" not in stays
    assert "n1" not in stays


def test_a_drive_that_was_here_before_and_would_fit_is_named_and_never_proposed() -> None:
    """Only its owner knows whether it holds the system, a backup, or nothing."""
    made = Followed(World.of("a", "b", bears=1))
    made.world.sizes |= {"idle": SECTORS, "small": SECTORS - 1, "bad": SECTORS}
    made.world.refusals["bad"] = "its burn-in did not pass"
    made.look()
    made.world.now += timedelta(minutes=10)
    made.world.set("b", MemberState.FAILED)
    made.world.guilt["d-b"] = "24 pending sectors"
    made.look()
    assert made.recovery is not None
    assert made.recovery.step is Step.GET_DRIVE
    named = [t for t in advise(made.recovery, made.world.seen()).tasks if "in no pool" in t]
    (one,) = named
    assert one.startswith("idle is here too, in no pool, and would fit. If nothing needs it")
    made.world.shelf.add("idle")
    made.world.now += timedelta(minutes=10)
    made.look()
    assert made.recovery.step is Step.PROVE


def test_a_burn_in_is_said_to_erase() -> None:
    assert "A burn-in erases the drive" in " ".join(moment("prove it")[1].tasks)


def test_what_points_at_the_cable_and_what_at_the_drive_is_said_first() -> None:
    recovery, world = bare()
    seen = replace(world.seen(), cable={DriveId("d-b"): "the kernel met a bad link to it"})
    text = " ".join(advise(recovery, seen).tasks)
    assert "That points at the cable, not the drive." in text
    seen = replace(seen, guilt={DriveId("d-b"): "24 pending sectors"})
    text = " ".join(advise(recovery, seen).tasks)
    assert "24 pending sectors. That points at the drive." in text
    assert "cable, not the drive" not in text


def test_a_planned_replacement_without_a_sign_waits_for_its_drive() -> None:
    made = Followed(World.of("a", "b", "c", bears=1))
    made.look()
    made.world.now += timedelta(hours=1)
    made.world.announced = {"d-b"}
    made.look()
    assert made.recovery is not None
    advice = advise(made.recovery, made.world.seen())
    assert advice.sentence.endswith("see that a drive for d-b is ready before you pull it.")
    assert any("stays in until the new drive is here" in text for text in advice.tasks)
    assert "power" not in " ".join(advice.tasks).lower()


def test_a_rebuild_that_cannot_finish_is_not_said_to_be_left_alone() -> None:
    recovery, _, world = moment("rebuild")
    world.notes = [Noted(remark=Remark.CANNOT_FINISH, text="8 sectors cannot be read.")]
    advice = advise(recovery, world.seen())
    assert "let it finish" not in f"{advice.sentence} {advice.tasks}".lower()
    assert "Why it cannot finish: 8 sectors cannot be read." in advice.tasks


@pytest.mark.parametrize("state", [WorkState.PAUSED, WorkState.WAITING])
def test_a_rebuild_that_does_not_run_is_said_not_to(state: WorkState) -> None:
    recovery, _, world = moment("rebuild")
    world.work = Work(kind=WorkKind.REBUILD, done_fraction=0.3, state=state)
    assert (
        f"The rebuild is {state.value}: see who holds it." in advise(recovery, world.seen()).tasks
    )


def test_a_drive_in_a_slot_has_no_cable_and_flash_is_not_shingled() -> None:
    made = Followed(World.of("a", "b", bears=1))
    made.look()
    made.world.now += timedelta(minutes=10)
    made.world.set("b", MemberState.FAILED)
    made.look()
    assert made.recovery is not None
    seen = made.world.seen()
    flash = {
        drive: replace(who, protocol=Protocol.NVME, medium=Medium.FLASH)
        for drive, who in seen.identities.items()
    }
    seen = replace(seen, identities=flash)
    stays = (replace(made.recovery.stays[-1], step=Step.GET_DRIVE),)
    asked = replace(made.recovery, step=Step.GET_DRIVE, stays=stays)
    first, then = advise(made.recovery, seen), advise(asked, seen)
    said = " ".join((first.sentence, *first.tasks, *then.tasks))
    assert "Check its seat before you blame it." in said
    assert "It must match: NVMe, " in said
    assert "cable" not in said
    assert "shingled" not in said


def test_a_pool_without_a_check_is_compared_with_a_backup() -> None:
    made = Followed(World.of("a", "b", bears=1, kind=PoolKind.DECLARED))
    made.look()
    for state in (MemberState.FAILED, MemberState.GOOD):
        made.world.now += timedelta(hours=1)
        made.world.set("b", state)
        made.look()
    assert made.recovery is not None
    assert "offers no check" in advise(made.recovery, made.world.seen()).tasks[0]


def test_how_large_the_new_drive_must_be_is_said_to_the_byte_or_that_it_is_not_known() -> None:
    made = Followed(World.of("a", "b", bears=1, kind=PoolKind.FILE_PARITY))
    made.world.add_member("p", Role.PARITY)
    made.world.sizes["d-b"] = 2 * SECTORS
    made.look()
    for name, words in (
        ("p", f"as large as the largest data member, {2 * SECTORS * SECTOR:,} bytes (16 TB)"),
        ("a", f"as large as the drive that it replaces, {SECTORS * SECTOR:,} bytes (8 TB)"),
    ):
        made.world.now += timedelta(minutes=10)
        for other in ("a", "p"):
            made.world.set(other, MemberState.FAILED if other == name else MemberState.GOOD)
        alone = Followed(made.world)
        alone.look()
        assert alone.recovery is not None
        *before, last = alone.recovery.stays
        stays = (*before, replace(last, step=Step.GET_DRIVE))
        wanting = replace(alone.recovery, step=Step.GET_DRIVE, stays=stays)
        assert f"at least {words}." in " ".join(advise(wanting, made.world.seen()).tasks)
    (lost,) = wanting.lost
    unknown = replace(wanting, lost=(replace(lost, drive=None, drive_bytes=None),))
    tasks = " ".join(advise(unknown, made.world.seen()).tasks)
    assert "How large it must be is not known" in tasks
    assert "at least" not in tasks
