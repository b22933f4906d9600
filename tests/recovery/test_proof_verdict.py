import statistics
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.recovery.test_proving import SIZE, T0, curve, proof
from watcher.facts.drive import Medium, Metric
from watcher.recovery.proof_verdict import Result, outcome_of, slow_parts
from watcher.recovery.proving import BUCKETS, Fault, FaultKind, OwnTest, Phase, Stretch, Warmth

CLEAN = (
    (Metric.REALLOCATED_SECTORS, 0),
    (Metric.PENDING_SECTORS, 0),
    (Metric.INTERFACE_CRC_ERRORS, 3),
)
GOOD = proof(
    phase=Phase.DONE,
    write=curve(1.0),
    read=curve(1.0),
    before=CLEAN,
    after=CLEAN,
    test=OwnTest.PASSED,
    test_text="Its own extended self-test passed.",
    warmth=(Warmth(phase=Phase.READ, done=0.5, celsius=38),),
    ended_at=T0,
)
FAULT = Fault(kind=FaultKind.WRONG_CONTENT, at=0, bytes=512, text="Sector 0 holds zeros.")


def with_counter(metric: Metric, value: int) -> tuple[tuple[Metric, int], ...]:
    return tuple((m, value if m is metric else v) for m, v in CLEAN)


def test_a_whole_burn_in_without_a_fault_passes_and_says_no_more_than_it_did() -> None:
    outcome = outcome_of(GOOD)
    assert (outcome.result, outcome.proves, outcome.remarks) == (Result.PASSED, True, ())
    read_only = outcome_of(replace(GOOD, read_only=True))
    assert "writing is not proven" in read_only.sentence


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"faults": (FAULT,), "faults_count": 1}, "holds zeros"),
        ({"faults": (FAULT,), "faults_count": 900}, "900 faults in all"),
        ({"after": with_counter(Metric.REALLOCATED_SECTORS, 1)}, "rose from 0 to 1"),
        ({"test": OwnTest.DAMAGE, "test_text": "found damage"}, "found damage"),
        ({"condemned": True}, "failing"),
        (
            {
                "before": with_counter(Metric.PENDING_SECTORS, 8),
                "after": with_counter(Metric.PENDING_SECTORS, 8),
            },
            "8 sectors could not be read",
        ),
    ],
)
def test_one_sign_of_a_bad_surface_fails_a_drive(change: dict[str, object], words: str) -> None:
    outcome = outcome_of(replace(GOOD, **change))  # type: ignore[arg-type]
    assert outcome.result is Result.FAILED
    assert any(words in reason for reason in outcome.reasons)
    assert not outcome.proves


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"after": with_counter(Metric.INTERFACE_CRC_ERRORS, 4)}, "cable"),
        ({"test": OwnTest.ABORTED}, "broken off"),
    ],
)
def test_what_points_at_the_cable_or_was_broken_off_is_doubtful(
    change: dict[str, object], words: str
) -> None:
    outcome = outcome_of(replace(GOOD, **change))  # type: ignore[arg-type]
    assert outcome.result is Result.DOUBTFUL
    assert words in outcome.reasons[0]
    assert not outcome.proves


def test_what_is_not_finished_proves_nothing() -> None:
    for phase in (Phase.WRITE, Phase.READ, Phase.SELF_TEST):
        assert outcome_of(replace(GOOD, phase=phase)).result is Result.UNFINISHED
    gone = outcome_of(replace(GOOD, gave_up="The drive went away."))
    assert gone.result is Result.UNFINISHED
    assert gone.reasons == ("The drive went away.",)


def test_a_fault_fails_a_drive_before_it_is_finished() -> None:
    early = replace(GOOD, phase=Phase.WRITE, faults=(FAULT,), faults_count=1)
    assert outcome_of(early).result is Result.FAILED


def test_what_the_proof_does_not_cover_is_said() -> None:
    bare = outcome_of(
        replace(GOOD, before=None, test=OwnTest.NONE, test_text="No test.", warmth=(), resumed=2)
    )
    assert bare.result is Result.PASSED
    assert len(bare.remarks) == 4
    assert "It was taken up again 2 times." in bare.remarks


def slowed(*parts: int, seconds: float = 100.0) -> tuple[Stretch, ...]:
    count = SIZE // BUCKETS
    return tuple(
        Stretch(bytes=count, seconds=seconds * (3 if n in parts else 1)) for n in range(BUCKETS)
    )


def test_the_curve_of_a_sound_disk_has_no_slow_part() -> None:
    assert slow_parts(curve(1.0)) == ()


def test_a_part_at_a_third_of_its_neighbours_speed_is_slow() -> None:
    assert slow_parts(slowed(50, 120, 121)) == (50, 120, 121)
    assert outcome_of(replace(GOOD, read=slowed(50, 120, 121))).result is Result.DOUBTFUL
    assert outcome_of(replace(GOOD, read=slowed(50, 120))).result is Result.PASSED


def test_what_took_a_moment_is_not_judged_slow() -> None:
    assert slow_parts(slowed(50, 120, 121, seconds=0.1)) == ()


@pytest.mark.parametrize(
    "metric",
    [
        Metric.REALLOCATED_SECTORS,
        Metric.REALLOCATION_EVENTS,
        Metric.PENDING_SECTORS,
        Metric.OFFLINE_UNCORRECTABLE,
        Metric.REPORTED_UNCORRECTABLE,
        Metric.MEDIA_ERRORS,
        Metric.GROWN_DEFECTS,
        Metric.READ_ERRORS_UNCORRECTED,
        Metric.WRITE_ERRORS_UNCORRECTED,
        Metric.VERIFY_ERRORS_UNCORRECTED,
        Metric.SPIN_RETRIES,
    ],
)
def test_whichever_counter_of_the_surface_rose_the_drive_fails_for_that_alone(
    metric: Metric,
) -> None:
    """Common practice, no source."""
    outcome = outcome_of(replace(GOOD, before=((metric, 7),), after=((metric, 8),)))
    words = metric.value.replace("-", " ")
    assert (outcome.result, outcome.reasons) == (Result.FAILED, (f"{words} rose from 7 to 8.",))
    still = replace(GOOD, before=((metric, 7),), after=((metric, 7),))
    stands = outcome_of(still).result
    assert stands is (Result.FAILED if metric is Metric.PENDING_SECTORS else Result.PASSED)


@pytest.mark.parametrize("metric", [Metric.INTERFACE_CRC_ERRORS, Metric.COMMAND_TIMEOUTS])
def test_either_counter_of_the_link_makes_it_doubtful(metric: Metric) -> None:
    outcome = outcome_of(replace(GOOD, before=((metric, 7),), after=((metric, 8),)))
    assert outcome.result is Result.DOUBTFUL
    assert len(outcome.reasons) == 1


def test_what_the_drive_did_not_say_of_its_own_test_is_said_for_it() -> None:
    found = outcome_of(replace(GOOD, test=OwnTest.DAMAGE, test_text=""))
    assert found.reasons == ("Its own extended self-test found damage.",)
    none = outcome_of(replace(GOOD, test=OwnTest.NONE, test_text=""))
    assert none.remarks == ("It ran no self-test of its own.",)
    told = outcome_of(replace(GOOD, test=OwnTest.NONE, test_text="It knows none."))
    assert told.remarks == ("It knows none.",)
    unread = outcome_of(replace(GOOD, after=None))
    assert unread.remarks == ("Its own counters could not be read, before, after or both.",)
    given_up = outcome_of(replace(GOOD, phase=Phase.READ))
    assert given_up.reasons == ()


def test_of_many_faults_five_are_told_and_all_are_counted() -> None:
    six = tuple(replace(FAULT, text=f"Sector {n} holds zeros.") for n in range(6))
    outcome = outcome_of(replace(GOOD, faults=six, faults_count=6))
    assert outcome.reasons == (*(fault.text for fault in six[:5]), "6 faults in all.")


def test_a_disk_that_reads_slowly_in_places_is_doubtful_and_flash_is_not() -> None:
    """Flash slows down while it tidies up."""
    slow = replace(GOOD, read=slowed(50, 120, 121))
    assert outcome_of(slow).result is Result.DOUBTFUL
    assert outcome_of(replace(GOOD, read=slowed(50, 120))).result is Result.PASSED
    flash = replace(slow.identity, medium=Medium.FLASH)
    assert outcome_of(replace(slow, identity=flash)).result is Result.PASSED


PIECE = st.builds(
    Stretch,
    bytes=st.sampled_from((0, 100)),
    seconds=st.sampled_from((0.5, 1.9, 2.0, 5, 9, 10, 11, 20)),
)


@given(st.lists(PIECE, max_size=40))
def test_a_part_is_slow_at_less_than_half_the_median_of_ten_on_each_side(
    pieces: list[Stretch],
) -> None:
    """Against the plain definition, with the standard library's median: at least five neighbours
    that were read, and two seconds or more.
    """
    speeds = [p.bytes / p.seconds if p.bytes else None for p in pieces]
    expected = []
    for n, mine in enumerate(speeds):
        near = [s for s in (*speeds[max(n - 10, 0) : n], *speeds[n + 1 : n + 11]) if s is not None]
        if mine is None or len(near) < 5 or pieces[n].seconds < 2:
            continue
        if mine < statistics.median_high(near) / 2:
            expected.append(n)
    assert slow_parts(tuple(pieces)) == tuple(expected)
