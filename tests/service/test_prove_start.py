"""From what a person typed to a burn-in that may run."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.readers.test_erase_guard import DRIVE, NAMED, box, disk
from tests.service.fake_drive import T0, WHO, Scene
from tests.service.manual_clock import ManualClock
from watcher.facts.readiness import ShelfSpare
from watcher.readers.erase_guard import Named
from watcher.readers.recorded import RecordedHost
from watcher.recovery.proof_verdict import Outcome, Result
from watcher.recovery.proving import Phase
from watcher.service.prove_start import (
    AskedDrive,
    CannotProve,
    Cleared,
    begin,
    clear,
    on_the_shelf,
)

CLEARED = Cleared(node="/dev/sdz", identity=WHO, size_bytes=10**9, device_type="sat")


def test_a_drive_that_nothing_speaks_against_is_cleared() -> None:
    found = clear(box(), "/dev/sdz", NAMED, T0, pools=(), erases=True)
    assert (found.node, found.identity.drive, found.size_bytes) == ("/dev/sdz", DRIVE, 8 * 10**12)


def test_a_drive_that_is_not_the_one_that_was_named_is_left_alone_with_the_reason() -> None:
    with pytest.raises(CannotProve) as refused:
        clear(box(), "/dev/sdz", Named(drive=DRIVE, serial="X9"), T0, pools=(), erases=True)
    assert str(refused.value).startswith("/dev/sdz is left alone.")
    assert any("X1, not X9" in reason for reason in refused.value.reasons)
    with pytest.raises(CannotProve, match="cannot be asked"):
        clear(RecordedHost(), "/dev/sdz", NAMED, T0, pools=(), erases=True)
    with pytest.raises(CannotProve, match="no size"):
        clear(box(disk(size=0)), "/dev/sdz", NAMED, T0, pools=(), erases=True)


def test_a_burn_in_begins_with_writing_or_where_nothing_is_erased_with_reading() -> None:
    one = begin(CLEARED, None, T0, read_only=False)
    other = begin(CLEARED, None, T0, read_only=True)
    assert (one.phase, other.phase) == (Phase.WRITE, Phase.READ)
    assert len(bytes.fromhex(one.seed)) == 16
    assert one.seed != other.seed


def test_one_that_was_broken_off_is_taken_up_and_one_that_ended_is_not() -> None:
    half = replace(Scene().proof(position=4096), size_bytes=10**9)
    again = begin(CLEARED, half, T0 + timedelta(days=1), read_only=False)
    assert again == replace(half, resumed=1)
    done = replace(half, phase=Phase.DONE)
    assert begin(CLEARED, done, T0, read_only=False).seed != half.seed


def test_what_was_begun_otherwise_is_not_taken_up() -> None:
    half = replace(Scene().proof(), size_bytes=10**9)
    with pytest.raises(CannotProve, match="with erasing"):
        begin(CLEARED, half, T0, read_only=True)
    with pytest.raises(CannotProve, match="had 10000 bytes"):
        begin(CLEARED, replace(half, size_bytes=10**4), T0, read_only=False)


def test_a_drive_that_answers_for_another_one_is_not_believed() -> None:
    asked = AskedDrive(
        host=RecordedHost(),
        node="/dev/sdz",
        device_type="sat",
        clock=ManualClock(T0),
        identity=WHO,
    )
    assert asked.reading() is None
    assert "not installed" in asked.start_self_test()


@pytest.mark.parametrize(
    ("result", "proven", "failed"),
    [
        (Result.PASSED, True, False),
        (Result.FAILED, False, True),
        (Result.DOUBTFUL, False, False),
        (Result.UNFINISHED, False, False),
    ],
)
def test_only_a_burn_in_that_passed_makes_a_proven_spare(
    result: Result, proven: bool, failed: bool
) -> None:
    spare = ShelfSpare(number=1, identity=WHO, added_at=T0)
    proof = Scene().proof(phase=Phase.DONE, ended_at=T0)
    outcome = Outcome(result=result, sentence="So it is.", reasons=("Because.",))
    after = on_the_shelf(spare, proof, outcome)
    assert (after.proven_at == T0, after.failed_at == T0) == (proven, failed)
    assert on_the_shelf(spare, Scene().proof(), outcome) == spare
