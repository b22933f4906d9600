from __future__ import annotations

import os
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from tests.recovery.world import SCENARIOS, SECTOR, SECTORS, Followed, Scenario, World
from watcher.facts.drive import Medium, Protocol
from watcher.facts.identity import DriveId
from watcher.facts.pool import (
    MemberState,
    Noted,
    PoolKind,
    Protection,
    Remark,
    Role,
    Work,
    WorkKind,
    WorkState,
)
from watcher.recovery.advice import POWER_DOWN, Advice, advise, readable_of, sentence_of
from watcher.recovery.record import DetourKind, Recovery, Step

FOLDER = Path(__file__).parent / "advice"

MOMENTS = {
    "make sure": ("06-the-old-drive-comes-back", 2),
    "get a drive": ("01-the-plain-way", 3),
    "prove it": ("01-the-plain-way", 5),
    "swap": ("01-the-plain-way", 6),
    "rebuild": ("01-the-plain-way", 8),
    "verify": ("01-the-plain-way", 10),
    "whole again": ("01-the-plain-way", 12),
    "the replacement died": ("03-the-replacement-dies-too", 5),
    "a second loss": ("04-a-second-drive-fails-mid-rebuild", 4),
    "unreadable": ("05-unreadable-sectors-during-the-rebuild", 4),
    "the old drive is back": ("06-the-old-drive-comes-back", 5),
    "the wrong drive was pulled": ("07-the-wrong-drive-is-pulled", 5),
    "parity is lost": ("08-the-parity-drive-is-lost", 2),
    "beyond the margin": ("09-beyond-the-margin", 3),
    "left-over profiles": ("11-left-over-profiles", 5),
    "ahead of failure": ("13-ahead-of-failure", 2),
    "the check differs": ("16-a-check-that-differs", 5),
}
"""Moments of the scenarios: which one, and after how many looks."""


def moment(name: str) -> tuple[Recovery, Advice, World]:
    """Play a scenario up to a look, and ask for advice there."""
    stem, looks = MOMENTS[name]
    scenario = Scenario()
    seen = 0
    for line in (SCENARIOS / f"{stem}.txt").read_text(encoding="utf-8").splitlines():
        if line.startswith((">", "#")):
            continue
        if line == "look":
            seen += 1
            scenario.followed.look()
            if seen == looks:
                break
        else:
            scenario.act(line.split())
    recovery = scenario.followed.recovery
    assert recovery is not None
    assert seen == looks
    world = scenario.followed.world
    return recovery, advise(recovery, world.seen()), world


def written(advice: Advice) -> str:
    lines = [advice.sentence, "", "tasks:", *(f"- {t}" for t in advice.tasks)]
    lines += ["in between:", *(f"- {t}" for t in advice.detours)]
    lines += ["commands:", *(f"- {c.line}" for c in advice.commands)]
    lines += ["leave alone:", *(f"- {t}" for t in advice.avoid), f"readable: {advice.readable}", ""]
    return "\n".join(lines)


@pytest.mark.parametrize("name", sorted(MOMENTS))
def test_the_advice_of_a_moment_is_as_it_was_read_through(name: str) -> None:
    path = FOLDER / f"{name.replace(' ', '-')}.txt"
    text = written(moment(name)[1])
    if os.environ.get("REWRITE_SCENARIOS"):
        path.write_text(text, encoding="utf-8")
    assert path.read_text(encoding="utf-8") == text


def test_the_moments_cover_every_step_and_every_detour() -> None:
    found = [moment(name)[0] for name in MOMENTS]
    assert {r.step for r in found} == set(Step)
    assert {d.kind for r in found for d in r.standing_detours} == set(DetourKind)


@pytest.mark.parametrize("name", sorted(MOMENTS))
def test_the_sentence_fits_a_message(name: str) -> None:
    """A message cuts its next step at 240 characters; the rule's own words must have a place."""
    recovery, advice, _ = moment(name)
    assert recovery.step is Step.WHOLE or len(advice.sentence) <= 160
    assert advice.sentence.endswith(".")


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


def test_beyond_the_margin_nothing_is_to_be_done_but_stop_look_and_copy() -> None:
    _, advice, _ = moment("beyond the margin")
    assert advice.tasks == ()
    assert not any(c.writes for c in advice.commands)
    text = " ".join(advice.detours)
    assert "Stop everything that writes" in text
    assert "Do not create it anew" in text
    assert "professional recovery is the better call" in text
    assert "image" in text


def test_while_a_good_drive_is_out_nothing_is_said_but_to_put_it_back() -> None:
    """The worst that advice could do: name the good drive among those that go."""
    _, advice, _ = moment("the wrong drive was pulled")
    text = " ".join((*advice.tasks, *(c.line for c in advice.commands)))
    assert "goes" not in text
    assert "--fail" not in text
    assert "--add" not in text
    assert advice.sentence.startswith("d-d left the box, and it was good; d-e was meant.")


def bare(kind: PoolKind = PoolKind.MD) -> tuple[Recovery, World]:
    made = Followed(World.of("a", "b", "c", bears=1, kind=kind))
    made.look()
    made.world.now += timedelta(hours=1)
    made.world.set("b", MemberState.FAILED)
    made.look()
    assert made.recovery is not None
    return made.recovery, made.world


def test_while_bare_the_copy_elsewhere_comes_first() -> None:
    recovery, world = bare()
    first = [
        advise(recovery, world.seen(), without_backup_bytes=count).tasks[0]
        for count in (None, 0, 200_000_000_000)
    ]
    assert first[0].startswith("First: is what cannot be replaced also somewhere else?")
    assert first[1].startswith("Everything that cannot be replaced has a backup")
    assert first[2].startswith("First: 200 GB that cannot be replaced have no copy")


def test_while_bare_it_is_said_what_to_leave_alone() -> None:
    recovery, world = bare()
    text = " ".join(advise(recovery, world.seen()).avoid)
    for words in ("Pull or unplug no other drive", "No restart", "No balance", "No big writes"):
        assert words in text


def test_parity_on_files_is_not_to_be_synced_while_a_disk_is_lost() -> None:
    recovery, world = bare(PoolKind.FILE_PARITY)
    advice = advise(recovery, world.seen())
    assert any(text.startswith("No sync") for text in advice.avoid)
    assert "snapraid sync" not in {c.line for c in advice.commands}
    assert "on its own" in advice.readable


def test_a_convert_balance_is_not_forbidden_where_it_is_what_is_left_to_do() -> None:
    _, advice, _ = moment("left-over profiles")
    assert not any("balance" in text for text in advice.avoid)
    assert any("-dconvert=" in c.line for c in advice.commands)


def test_what_can_be_read_is_never_promised_for_a_pool_that_is_not_seen() -> None:
    recovery, world = bare()
    world.sight = "unseen"
    world.set("b", MemberState.GOOD)
    pool = world.pool
    assert pool.protection is Protection.UNKNOWN
    assert readable_of(recovery, pool).startswith("Not known")
    assert readable_of(recovery, None).startswith("As it is, nothing can be relied on")


def test_a_recovery_that_is_over_says_how_it_ended() -> None:
    recovery, advice, world = moment("whole again")
    assert sentence_of(recovery, world.seen()) == recovery.outcome == advice.sentence
    assert advice.commands == ()


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


def test_of_independent_disks_those_that_work_are_readable_even_beyond_the_margin() -> None:
    recovery, world = bare(PoolKind.FILE_PARITY)
    world.set("c", MemberState.FAILED)
    assert readable_of(recovery, world.pool).startswith("What sits on the drives that work")


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
