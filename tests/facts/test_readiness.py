from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.facts.drive import DriveIdentity
from watcher.facts.identity import DriveId, PoolId
from watcher.facts.readiness import (
    PROOF_LASTS,
    CopySeen,
    CopyState,
    DrillDone,
    HowKnown,
    Preparation,
    ProofState,
    RestoreTried,
    ShelfSpare,
    SpareFit,
    ToldReadiness,
)

T0 = datetime(2026, 3, 1, tzinfo=UTC)
DAY = timedelta(days=1)
WHO = DriveIdentity(drive=DriveId("wwn-1"), model="Altair A8", serial="X1", capacity_bytes=8)
SPARE = ShelfSpare(number=3, identity=WHO, added_at=T0)


def test_a_spare_that_is_here_says_who_it_is() -> None:
    assert SPARE.label == "spare 3, Altair A8 X1"
    assert replace(SPARE, identity=None, ordered=True).label == "the ordered drive (spare 3)"
    with pytest.raises(ValueError, match="identity"):
        replace(SPARE, identity=None)


def test_the_size_the_drive_tells_comes_before_the_one_that_was_told() -> None:
    assert replace(SPARE, capacity_bytes=9).bytes == 8
    unknown = replace(WHO, capacity_bytes=None)
    assert replace(SPARE, identity=unknown, capacity_bytes=9).bytes == 9
    assert replace(SPARE, identity=unknown).bytes is None


def test_a_proof_has_a_term() -> None:
    proven = replace(SPARE, proven_at=T0)
    assert proven.prove_by == T0 + PROOF_LASTS
    assert proven.proof_at(T0 + PROOF_LASTS - DAY) is ProofState.PROVEN
    assert proven.proof_at(T0 + PROOF_LASTS) is ProofState.OUTDATED
    assert SPARE.proof_at(T0) is ProofState.UNPROVEN
    assert SPARE.prove_by is None


def test_the_later_burn_in_decides() -> None:
    failed = replace(SPARE, proven_at=T0, failed_at=T0 + DAY)
    assert failed.proof_at(T0 + DAY) is ProofState.FAILED
    assert failed.prove_by is None
    assert replace(failed, proven_at=T0 + 2 * DAY).proof_at(T0 + 3 * DAY) is ProofState.PROVEN
    assert replace(SPARE, failed_at=T0).has_failed
    assert replace(SPARE, proven_at=T0, failed_at=T0).has_failed, "in doubt it is not proven"


@given(
    age=st.timedeltas(timedelta(0), timedelta(days=9999)),
    fresh=st.timedeltas(timedelta(minutes=1), timedelta(days=999)),
    could_look=st.booleans(),
    was_made=st.booleans(),
)
def test_only_a_copy_that_was_seen_and_is_young_enough_is_fresh(
    age: timedelta, fresh: timedelta, could_look: bool, was_made: bool
) -> None:
    copy = CopySeen(
        name="nas",
        how=HowKnown.MARKER,
        fresh_for=fresh,
        copied_at=T0 if was_made else None,
        could_look=could_look,
    )
    assert (copy.state_at(T0 + age) is CopyState.FRESH) == (
        could_look and was_made and age <= fresh
    )


def test_a_drill_tells_how_long_the_answer_took() -> None:
    drill = DrillDone(
        number=1, pool=PoolId("md:a"), pool_name="a", member="bay 3", by="Ana", begun_at=T0
    )
    assert drill.answer_took is None
    assert replace(drill, answered_at=T0 + DAY).answer_took == DAY


def test_a_fit_is_found_by_spare_and_pool() -> None:
    fit = SpareFit(spare=3, pool=PoolId("md:a"), pool_name="a", places=2, too_small_for=("x",))
    ready = Preparation(shelf=(SPARE,), fits=(fit,))
    assert ready.fit(SPARE, PoolId("md:a")) is fit
    assert ready.fit(SPARE, PoolId("md:b")) is None
    assert (fit.fits_all, fit.fits_some) == (False, True)
    assert not replace(fit, places=0, too_small_for=()).fits_all
    assert not replace(fit, unknown_for=("y",)).fits_some
    assert not replace(fit, too_small_for=(), unknown_for=("y",)).fits_all


@pytest.mark.parametrize(
    ("field", "one", "most"),
    [
        ("shelf", SPARE, 500),
        ("restores", RestoreTried(thing="photos", copy="nas", at=T0, by="Ana"), 500),
        (
            "drills",
            DrillDone(
                number=1, pool=PoolId("md:a"), pool_name="a", member="bay 3", by="Ana", begun_at=T0
            ),
            20,
        ),
    ],
)
def test_what_a_box_tells_of_its_readiness_has_a_bound(field: str, one: Any, most: int) -> None:
    kept = [replace(one, number=n) if field == "shelf" else one for n in range(most + 1)]
    assert len(getattr(ToldReadiness(**{field: tuple(kept[:most])}), field)) == most
    with pytest.raises(ValueError, match=f"more than {most}"):
        ToldReadiness(**{field: tuple(kept)})


def test_two_spares_with_one_number_are_refused() -> None:
    with pytest.raises(ValueError, match="one number"):
        ToldReadiness(shelf=(SPARE, SPARE))


def test_a_copy_that_is_fresh_for_no_time_is_refused() -> None:
    with pytest.raises(ValueError, match="fresh_for"):
        CopySeen(name="nas", how=HowKnown.MARKER, fresh_for=timedelta(0))
