from dataclasses import replace
from datetime import datetime

import pytest

from tests.store.conftest import Anew
from tests.store.made import BOX, DAY, HOUR, NOW, drive_id, pool, survey
from watcher.facts.identity import PoolId
from watcher.facts.margin import judge_pool
from watcher.facts.pool import (
    MemberState,
    Pool,
    PoolKind,
    Protection,
    RedundancySet,
    WorkKind,
)
from watcher.facts.pool_past import PoolPast
from watcher.store.database import Store

MEDIA = PoolId("md:media")


def take(store: Store, *pools: Pool) -> PoolPast:
    """Hand over one survey for each pool, dated by it, and give the past after the last."""
    now = max(seen.observed_at for seen in pools)
    with store.transaction() as tx:
        for seen in pools:
            at = seen.observed_at
            tx.take_survey(survey(f"{at}", at, pools=(seen,)), now)
        return tx.pool_pasts(BOX)[MEDIA]


def test_a_pool_is_known_as_it_was_seen_last(store: Store) -> None:
    past = take(store, pool(NOW), pool(NOW + HOUR, lost=1))
    assert (past.first_seen, past.last_seen) == (NOW, NOW + HOUR)
    assert past.last_protection is Protection.BARE
    assert past.full_margin == 1
    assert past.members == ("sda1", "sdb1", "sdc1", "sdd1")
    assert past.drives == tuple(drive_id(number) for number in range(4))
    assert past.errors_of("sdc1") == 2
    assert past.in_use


@pytest.mark.parametrize(
    ("steps", "since"),
    [
        (("whole", "bare", "bare"), 1),
        (("whole", "bare", "whole"), None),
        (("bare", "unknown", "bare"), 0),  # not seeing does not end it
        (("whole", "unknown", "unknown"), None),  # nor begin it
        (("whole", "broken", "bare"), 1),
    ],
)
def test_the_time_without_full_margin_begins_and_ends_by_what_is_seen(
    store: Store, steps: tuple[str, ...], since: int | None
) -> None:
    made = {
        "whole": pool,
        "bare": lambda at: pool(at, lost=1),
        "broken": lambda at: pool(at, lost=2),
        "unknown": lambda at: pool(at, lost=1, state=MemberState.UNKNOWN),
    }
    past = take(store, *(made[word](NOW + n * HOUR) for n, word in enumerate(steps)))
    assert past.last_protection is Protection(steps[-1])
    assert past.not_whole_since == (None if since is None else NOW + since * HOUR)


def test_a_filesystem_on_an_encrypted_array_is_kept_with_the_margin_of_the_array(
    store: Store,
) -> None:
    """Else a month and the page of a shop say of it that any drive lost costs data."""
    array = replace(pool(name="md0", first_drive=4), node="/dev/md0")
    (one, *_) = pool(width=1, bears=0).members
    above = judge_pool(
        pool=MEDIA,
        name="media",
        kind=PoolKind.BTRFS,
        layout="single",
        observed_at=NOW,
        tree=RedundancySet(name="single", bears=0, parts=(replace(one, stands_on=("/dev/md0",)),)),
    )
    with store.transaction() as tx:
        tx.take_survey(survey("s", NOW, pools=(above, array)), NOW)
        past = tx.pool_pasts(BOX)[MEDIA]
        (change,) = tx.pool_changes(BOX, MEDIA, NOW - DAY, NOW + DAY)
        kept = tx.last_survey(BOX)
    assert (past.last_protection, past.full_margin) == (Protection.WHOLE, 1)
    assert (change.protection, change.margin, change.full_margin) == (Protection.WHOLE, 1, 1)
    assert kept is not None
    assert {p.pool: p.full_margin for p in kept.pools}[MEDIA] == 0, "what was seen stays"


def test_a_pool_built_without_margin_has_none_to_lose(store: Store) -> None:
    past = take(store, pool(NOW, bears=0), pool(NOW + HOUR, bears=0))
    assert past.last_protection is Protection.BARE
    assert past.not_whole_since is None
    assert take(store, pool(NOW + 2 * HOUR, bears=0, lost=1)).not_whole_since == NOW + 2 * HOUR


def test_a_row_is_written_only_when_the_state_changes(store: Store) -> None:
    take(store, pool(NOW), pool(NOW + HOUR), pool(NOW + 2 * HOUR, lost=1), pool(NOW + DAY))
    with store.snapshot() as tx:
        changes = tx.pool_changes(BOX, MEDIA, NOW + HOUR, NOW + 2 * DAY)
        assert [(c.at - NOW, c.protection) for c in changes] == [
            (0 * HOUR, Protection.WHOLE),
            (2 * HOUR, Protection.BARE),
            (DAY, Protection.WHOLE),
        ]
        assert tx.pool_changes(BOX, PoolId("md:none"), NOW, NOW + DAY) == ()


def test_samples_of_a_running_work_are_handed_on_first_and_last(store: Store) -> None:
    seen = [pool(NOW + n * HOUR, lost=1, work=WorkKind.REBUILD, done=n / 200) for n in range(150)]
    past = take(store, *seen)
    assert len(past.work) == 61
    assert (past.work[0].at, past.work[0].done_fraction) == (NOW, 0.0)
    assert (past.work[-1].at, past.work[-1].done_fraction) == (NOW + 149 * HOUR, 149 / 200)
    times = [sample.at for sample in past.work]
    assert times == sorted(times)
    with store.snapshot() as tx:
        assert len(tx.pool_work(BOX, MEDIA, NOW, NOW + 9 * HOUR)) == 10
        assert tx.pool_work(BOX, PoolId("md:none"), NOW, NOW + DAY) == ()


def test_work_that_is_over_has_no_samples_and_the_next_begins_anew(store: Store) -> None:
    scrub = [pool(NOW + n * HOUR, work=WorkKind.SCRUB, done=n / 10) for n in range(3)]
    assert take(store, *scrub, pool(NOW + 3 * HOUR)).work == ()
    again = take(store, pool(NOW + 4 * HOUR, work=WorkKind.SCRUB, done=0.1))
    assert [sample.at for sample in again.work] == [NOW + 4 * HOUR]


def scrub_then(store: Store, *fractions: float | None) -> datetime | None:
    seen = [
        pool(NOW + n * HOUR, work=WorkKind.SCRUB, done=done) for n, done in enumerate(fractions)
    ]
    return take(store, *seen, pool(NOW + len(seen) * HOUR)).scrubbed_at


def test_a_scrub_that_we_saw_through_counts_from_its_end(anew: Anew) -> None:
    assert scrub_then(anew(), 0.5, 0.75) == NOW + 2 * HOUR
    assert scrub_then(anew(), 0.4, 0.8) == NOW + 1.5 * HOUR


@pytest.mark.parametrize(
    "fractions",
    [
        (0.1, 0.3),  # stopped on the way
        (0.9,),  # one sample tells no pace
        (None, None),  # the stack does not say
        (0.9, 0.9),  # it stood still
        (0.9, 0.2),  # it began again
    ],
)
def test_a_scrub_that_cannot_have_ended_never_counts(
    store: Store, fractions: tuple[float | None, ...]
) -> None:
    assert scrub_then(store, *fractions) is None


def test_a_scrub_that_other_work_pushed_aside_does_not_count(store: Store) -> None:
    past = take(
        store,
        pool(NOW, work=WorkKind.SCRUB, done=0.5),
        pool(NOW + HOUR, work=WorkKind.SCRUB, done=0.9),
        pool(NOW + 2 * HOUR, lost=1, work=WorkKind.REBUILD, done=0.1),
    )
    assert past.scrubbed_at is None


def test_a_late_survey_leaves_the_newer_state(store: Store) -> None:
    past = take(store, pool(NOW + HOUR, lost=1), pool(NOW))
    assert past.last_protection is Protection.BARE
    assert past.last_seen == NOW + HOUR


def test_a_retired_pool_is_used_again_when_it_left_and_came_back(store: Store) -> None:
    take(store, pool(NOW))
    with store.transaction() as tx:
        assert tx.retire_pool(BOX, MEDIA)
        assert not tx.retire_pool(BOX, PoolId("md:none"))
    assert not take(store, pool(NOW + HOUR)).in_use
    with store.transaction() as tx:
        tx.take_survey(survey("without", NOW + 2 * HOUR), NOW)
    assert take(store, pool(NOW + 3 * HOUR)).in_use
