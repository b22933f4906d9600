"""A whole burn-in on a drive in memory: killed anywhere, too warm, tested, gone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.service.fake_drive import MIB, FakeAsk, FakeDevice, Scene, ended, said, without_times
from watcher.facts.drive import DriveReading, Medium, Metric, Verdict
from watcher.recovery.pattern import NOISE_BYTES
from watcher.recovery.proof_verdict import Result, outcome_of
from watcher.recovery.proving import OwnTest, Phase, Proof
from watcher.service.prove import (
    HOT_DISK,
    HOT_FLASH,
    LOOK_SECONDS,
    WARMTHS_KEPT,
    Interrupted,
    Prover,
    heat_limit,
)
from watcher.service.prove_pass import AHEAD


def answers(*more: DriveReading | None) -> FakeAsk:
    """A drive that answers, runs its test and passes."""
    return FakeAsk(answers=[said(), *more])


RUNNING = said(remaining=50)
PASSED = said(tests=(ended(),))


def test_a_sound_drive_passes_and_every_counter_is_kept() -> None:
    scene = Scene(ask=FakeAsk(answers=[said(), said(), said(), said(), RUNNING, PASSED]))
    proof = Prover(scene.proof(), scene.around()).run()
    outcome = outcome_of(proof)
    assert outcome.result is Result.PASSED
    assert outcome.remarks == ("It did not tell its temperature.",)
    assert scene.ask.started == 1
    assert proof.test is OwnTest.PASSED
    assert proof.before == said().metrics
    assert proof.after == PASSED.metrics
    assert sum(s.bytes for s in proof.write) == scene.device.size
    assert sum(s.bytes for s in proof.read) == scene.device.size
    assert scene.saved[-1] == proof


def test_a_drive_without_smart_is_proven_by_writing_and_reading_alone_and_it_says_so() -> None:
    scene = Scene()
    proof = Prover(scene.proof(), scene.around()).run()
    outcome = outcome_of(proof)
    assert outcome.result is Result.PASSED
    assert any("no self-test" in remark for remark in outcome.remarks)


def test_the_cache_of_the_drive_is_emptied_before_a_place_counts_as_written() -> None:
    scene, written, safe = Scene(), set[int](), set[int]()
    scene.stop = lambda: bool(scene.clock.pass_by(timedelta(seconds=11)))  # asked at each piece
    scene.device.on_written = written.add
    scene.device.flush = lambda: safe.update(written)  # type: ignore[method-assign]
    places: list[int] = []

    def save(proof: Proof) -> None:
        if proof.phase is Phase.WRITE:
            places.append(proof.position)
            assert set(range(0, proof.position, NOISE_BYTES)) <= safe

    Prover(scene.proof(), replace(scene.around(), save=save)).run()
    assert places == [NOISE_BYTES, 3 * NOISE_BYTES, 5 * NOISE_BYTES, scene.device.size]


class Killed(Exception):
    """The machine lost power."""


@settings(max_examples=25, deadline=None)
@given(
    kills=st.lists(st.integers(1, 30), max_size=4),
    bad=st.booleans(),
    seconds=st.sampled_from([0.5, 4.0, 11.0]),
)
def test_a_burn_in_that_is_killed_anywhere_ends_as_one_that_was_not(
    kills: list[int], bad: bool, seconds: float
) -> None:
    """Whatever is in memory is lost; the record and the drive stay."""

    def device() -> FakeDevice:
        return FakeDevice(loses=[range(13 * MIB, 13 * MIB + 1024)] if bad else ())

    plain = Scene(device=device())
    wanted = Prover(plain.proof(), plain.around()).run()

    scene = Scene(device=device())
    kept = scene.proof()
    for kill in [*kills, 10**9]:
        left = kill

        def ticking(_: int = 0) -> None:
            nonlocal left
            left -= 1
            scene.clock.pass_by(timedelta(seconds=seconds))
            if left <= 0:
                raise Killed

        class Ticking(FakeDevice):
            tick: Callable[[], None]

            def read_at(self, at: int, into: memoryview) -> None:
                self.tick()
                FakeDevice.read_at(self, at, into)

        ticked = Ticking(
            size=scene.device.size,
            content=scene.device.content,
            loses=scene.device.loses,
            on_write=ticking,
        )

        ticked.tick = ticking

        def save(proof: Proof) -> None:
            nonlocal kept
            kept = proof

        scene.device = ticked
        around = replace(scene.around(), save=save)
        try:
            Prover(kept, around).run()
        except Killed:
            continue
    assert without_times(kept) == without_times(wanted)
    assert outcome_of(kept).result is outcome_of(wanted).result
    assert (outcome_of(kept).result is Result.FAILED) == bad


def test_a_person_can_stop_it_and_it_goes_on_where_it_was() -> None:
    scene = Scene()
    calls = 0

    def stop_at_third() -> bool:
        nonlocal calls
        calls += 1
        return calls == 3

    scene.stop = stop_at_third
    prover = Prover(scene.proof(), scene.around())
    with pytest.raises(Interrupted):
        prover.run()
    assert prover.proof.position == 12 * MIB
    assert scene.saved[-1] == prover.proof
    scene.stop = lambda: False
    writes: list[int] = []
    scene.device.on_write = writes.append
    assert Prover(prover.proof, scene.around()).run().phase is Phase.DONE
    assert min(writes) == 12 * MIB


def test_a_drive_that_is_too_warm_is_left_to_cool() -> None:
    hot = said({Metric.TEMPERATURE_CELSIUS: HOT_DISK})
    warm = said({Metric.TEMPERATURE_CELSIUS: HOT_DISK - 4})
    cool = said({Metric.TEMPERATURE_CELSIUS: HOT_DISK - 5})
    scene = Scene(ask=FakeAsk(answers=[said(), hot, warm, cool, said(), said(), said(), PASSED]))
    proof = Prover(scene.proof(), scene.around()).run()
    assert scene.waits[:2] == [LOOK_SECONDS / 2, LOOK_SECONDS / 2]
    assert proof.paused_seconds == LOOK_SECONDS
    assert proof.warmth[0].celsius == HOT_DISK


def test_the_drives_own_limit_counts_before_ours() -> None:
    own = said({Metric.TEMPERATURE_WARNING_CELSIUS: 55})
    assert heat_limit(own) == 55
    assert heat_limit(said()) == HOT_DISK
    flash = replace(said(), identity=replace(said().identity, medium=Medium.FLASH))
    assert heat_limit(flash) == HOT_FLASH


def test_the_number_of_kept_temperatures_is_bounded() -> None:
    scene = Scene(ask=FakeAsk(answers=[said({Metric.TEMPERATURE_CELSIUS: 30})]))
    prover = Prover(scene.proof(), scene.around())
    for number in range(3 * WARMTHS_KEPT):
        prover._warm(30, number * 512)
    assert len(prover.proof.warmth) <= WARMTHS_KEPT


@pytest.mark.parametrize(
    ("tail", "test"),
    [
        ([RUNNING, said(tests=(ended(passed=False),))], OwnTest.DAMAGE),
        ([RUNNING, PASSED], OwnTest.PASSED),
        ([said(tests=(replace(ended(), passed=None),))], OwnTest.ABORTED),
        ([said()], OwnTest.ABORTED),
        ([None, None, RUNNING, None, PASSED], OwnTest.PASSED),
    ],
)
def test_the_drives_own_test_is_followed_to_its_end(
    tail: list[DriveReading | None], test: OwnTest
) -> None:
    scene = Scene(ask=FakeAsk(answers=[said(), *tail]))
    proof = Prover(scene.proof(phase=Phase.SELF_TEST), scene.around()).run()
    assert (proof.phase, proof.test) == (Phase.DONE, test)


def test_an_old_entry_of_the_log_is_never_taken_for_the_test_of_now() -> None:
    old = said(tests=(ended(hours=3),))
    scene = Scene(ask=FakeAsk(answers=[old, old, old, old, old, old, old]))
    proof = Prover(scene.proof(phase=Phase.SELF_TEST), scene.around()).run()
    assert proof.test is OwnTest.ABORTED


def test_a_test_that_ended_while_nobody_watched_is_taken_up() -> None:
    scene = Scene(ask=FakeAsk(answers=[PASSED]))
    at = scene.proof(phase=Phase.SELF_TEST, test=OwnTest.RUNNING, test_hours=10)
    proof = Prover(at, scene.around()).run()
    assert proof.test is OwnTest.PASSED
    assert scene.ask.started == 0


def test_a_test_that_a_reboot_broke_off_is_started_again() -> None:
    broken = said(tests=(replace(ended(), passed=None),))
    again = said(tests=(ended(hours=12), replace(ended(), passed=None)))
    scene = Scene(ask=FakeAsk(answers=[broken, RUNNING, again]))
    at = scene.proof(phase=Phase.SELF_TEST, test=OwnTest.RUNNING, test_hours=10)
    assert Prover(at, scene.around()).run().test is OwnTest.PASSED
    assert scene.ask.started == 1


def test_a_drive_that_refuses_its_test_says_why() -> None:
    scene = Scene(ask=FakeAsk(answers=[said()], refuses="Self-tests are not supported."))
    proof = Prover(scene.proof(phase=Phase.SELF_TEST), scene.around()).run()
    assert proof.test is OwnTest.NONE
    assert "not supported" in proof.test_text
    assert proof.after == said().metrics


def test_a_drive_that_condemns_itself_fails() -> None:
    last = said(tests=(ended(),), verdict=Verdict.FAILING)
    scene = Scene(ask=FakeAsk(answers=[said(), last]))
    proof = Prover(scene.proof(phase=Phase.SELF_TEST), scene.around()).run()
    assert outcome_of(proof).result is Result.FAILED


def test_a_drive_that_goes_away_proves_nothing() -> None:
    scene = Scene(device=FakeDevice(gone_after=3))
    proof = Prover(scene.proof(), scene.around()).run()
    assert "went away" in proof.gave_up
    assert not outcome_of(proof).proves


def test_a_drive_full_of_faults_is_not_tried_to_the_end() -> None:
    device = FakeDevice(size=40 * MIB, sector=512)
    scene = Scene(device=device)
    at = Prover(scene.proof(), replace(scene.around(), save=id))
    at._write()
    for sector in range(0, 4000, 2):
        device.content[sector * 512] ^= 1
    before = device.operations
    done = Prover(at.proof, scene.around()).run()
    assert "broken off" in done.gave_up
    assert outcome_of(done).result is Result.FAILED
    assert device.operations - before <= 1 + 2 * AHEAD  # of ten pieces; some were read ahead
