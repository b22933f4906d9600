from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.recovery.moments import MOMENTS, bare, moment
from watcher.facts.pool import (
    MemberState,
    PoolKind,
    Protection,
)
from watcher.recovery.advice import Advice, advise, readable_of, sentence_of
from watcher.recovery.record import DetourKind, Step

FOLDER = Path(__file__).parent / "advice"


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


def test_of_independent_disks_those_that_work_are_readable_even_beyond_the_margin() -> None:
    recovery, world = bare(PoolKind.FILE_PARITY)
    world.set("c", MemberState.FAILED)
    assert readable_of(recovery, world.pool).startswith("What sits on the drives that work")
