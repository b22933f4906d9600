"""How long a burn-in still takes, against the track curve."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.exposure.track import time_share
from watcher.facts.drive import DriveIdentity, Medium, Metric
from watcher.facts.identity import DriveId
from watcher.recovery.proving import (
    BUCKETS,
    Curve,
    OwnTest,
    Phase,
    Proof,
    Stretch,
    bucket_of,
    time_left,
)

T0 = datetime(2026, 3, 1, tzinfo=UTC)
SIZE = 4 * 10**12
DISK = DriveIdentity(
    drive=DriveId("wwn-1"),
    model="Altair",
    serial="X1",
    capacity_bytes=SIZE,
    medium=Medium.ROTATING,
)
PASS_HOURS = 8.2
"""4 TB at 180 MB/s outermost and half of that innermost (REFERENCES 5.7, the 0.75 model)."""


def proof(**more: object) -> Proof:
    facts: dict[str, object] = {
        "identity": DISK,
        "size_bytes": SIZE,
        "seed": "00" * 16,
        "read_only": False,
        "begun_at": T0,
        "saved_at": T0,
        "phase": Phase.WRITE,
    }
    return Proof(**(facts | more))  # type: ignore[arg-type]


def curve(done: float, hours: float = PASS_HOURS, ratio: float = 0.5) -> tuple[Stretch, ...]:
    """A pass over a disk, up to a share of it."""
    made = Curve(SIZE)
    upto = round(done * BUCKETS)
    for number in range(upto):
        a, b = number / BUCKETS, (number + 1) / BUCKETS
        seconds = (time_share(b, ratio) - time_share(a, ratio)) * hours * 3600
        made.add(number * SIZE // BUCKETS, SIZE // BUCKETS, seconds)
    return made.stretches()


def hours(span: timedelta) -> float:
    return span.total_seconds() / 3600


def test_before_it_begins_the_size_alone_gives_three_passes() -> None:
    """Two passes and a self-test of about one: the plausibility band of REFERENCES 5.7."""
    assert hours(time_left(proof())) == pytest.approx(3 * PASS_HOURS, rel=0.02)


@pytest.mark.parametrize("done", [0.1, 0.25, 0.5, 0.75, 0.95])
def test_the_rest_of_a_pass_follows_the_tracks_and_not_the_per_cent(done: float) -> None:
    """At half of the sectors only 41.9% of the time has passed (REFERENCES 5.4)."""
    at = proof(position=int(done * SIZE), write=curve(done))
    left = hours(time_left(at))
    want = PASS_HOURS * (1 - time_share(done, 0.5)) + 2 * PASS_HOURS
    assert left == pytest.approx(want, rel=0.01)


def test_an_even_forecast_would_be_wrong_by_a_quarter_at_half_of_a_disk() -> None:
    """The same figure as a counter-check: 72% of the truth (REFERENCES 5.4)."""
    taken = time_share(0.5, 0.5)
    assert taken / (1 - taken) == pytest.approx(0.72, abs=0.01)


@pytest.mark.parametrize("done", [0.2, 0.6])
def test_the_second_pass_follows_the_first_ones_own_curve(done: float) -> None:
    first = curve(1.0, hours=10, ratio=0.9)
    second = curve(done, hours=8, ratio=0.9)
    at = proof(
        phase=Phase.READ, position=int(done * SIZE), write=first, read=second, test=OwnTest.NONE
    )
    want = 8 * (1 - time_share(done, 0.9))
    assert hours(time_left(at)) == pytest.approx(want, rel=0.02)


def test_the_drives_own_word_decides_how_long_its_test_takes() -> None:
    at = proof(phase=Phase.SELF_TEST, test=OwnTest.RUNNING, test_percent=25)
    assert time_left(at, test_minutes=400) == timedelta(minutes=300)


def test_nothing_is_left_when_it_is_done() -> None:
    assert time_left(proof(phase=Phase.DONE)) == timedelta(0)


def test_reading_only_has_no_writing_before_it() -> None:
    at = proof(read_only=True, phase=Phase.READ)
    assert at.phases == (Phase.READ, Phase.SELF_TEST)
    assert hours(time_left(at)) == pytest.approx(2 * PASS_HOURS, rel=0.02)


@given(
    st.sampled_from([Phase.WRITE, Phase.READ]),
    st.integers(2, BUCKETS - 2),
    st.integers(1, 5),
)
def test_the_time_left_hardly_grows_while_the_pace_holds(
    phase: Phase, done: int, more: int
) -> None:
    """It may step once, where the drive's own curve takes the place of the usual one."""

    def left(parts: int) -> timedelta:
        share = min(parts, BUCKETS) / BUCKETS
        through = curve(share)
        if phase is Phase.WRITE:
            return time_left(proof(position=int(share * SIZE), write=through))
        return time_left(
            proof(phase=phase, position=int(share * SIZE), write=curve(1.0), read=through)
        )

    assert left(done + more) <= left(done) * 1.05 + timedelta(seconds=2)


def test_the_curve_can_be_taken_up_again() -> None:
    half = Curve.over(SIZE, curve(0.5))
    half.add(int(0.5 * SIZE), 100, 2.0)
    assert half.stretches()[BUCKETS // 2] == Stretch(bytes=100, seconds=2.0)
    assert half.stretches()[:10] == curve(0.5)[:10]
    assert Stretch().bytes_per_second is None


@given(st.integers(1, 10**14), st.floats(0, 1))
def test_every_place_lies_in_one_of_the_parts(size: int, share: float) -> None:
    assert 0 <= bucket_of(min(int(size * share), size), size) < BUCKETS


def test_what_grew_is_told_and_what_was_not_told_is_not_compared() -> None:
    pending = Metric.PENDING_SECTORS
    at = proof(before=((pending, 0),), after=((pending, 8), (Metric.POWER_ON_HOURS, 9)))
    assert at.grew((pending,)) == ((pending, 0, 8),)
    assert replace(at, after=None).grew((pending,)) == ()
    assert replace(at, before=None).grew((pending,)) == ()


def test_a_position_beyond_the_drive_is_no_record() -> None:
    with pytest.raises(ValueError, match="within the drive"):
        proof(position=SIZE + 1)


def test_how_far_a_burn_in_is_follows_its_phase() -> None:
    assert proof(phase=Phase.DONE).done_fraction == 1.0
    assert proof(phase=Phase.SELF_TEST, test_percent=30).done_fraction == 0.3
    assert proof(position=SIZE // 4).done_fraction == 0.25
