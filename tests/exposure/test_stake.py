"""Which bytes a loss beyond the margin would cost."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.exposure.pools import TB, parity, pool
from watcher.exposure.stake import bytes_at_stake, without_backup
from watcher.facts.pool import AtStake


def test_a_striped_pool_loses_everything() -> None:
    assert bytes_at_stake(pool(parity(6, 1))) == 20 * TB
    assert bytes_at_stake(pool(parity(6, 1), used_bytes=None)) == 40 * TB
    assert bytes_at_stake(pool(parity(6, 1), used_bytes=None, capacity_bytes=None)) is None


def test_disks_that_stand_alone_lose_one_drive_more_than_the_margin() -> None:
    assert bytes_at_stake(pool(parity(5, 1), at_stake=AtStake.MEMBER)) == 8 * TB
    assert bytes_at_stake(pool(parity(5, 2), at_stake=AtStake.MEMBER)) == 12 * TB
    assert bytes_at_stake(pool(None, at_stake=AtStake.MEMBER)) == 20 * TB


@given(st.integers(0, 100 * TB), st.sampled_from(AtStake), st.integers(0, 40 * TB))
def test_no_more_lacks_a_backup_than_is_at_stake(alone: int, stake: AtStake, used: int) -> None:
    subject = pool(parity(5, 1), at_stake=stake, used_bytes=used)
    lacking, at_stake = without_backup(subject, alone), bytes_at_stake(subject)
    assert lacking is not None
    assert at_stake is not None
    if used:
        assert 0 <= lacking <= min(alone, at_stake) + 1


def test_not_known_stays_not_known() -> None:
    assert without_backup(pool(parity(5, 1)), None) is None
    sizeless = pool(parity(5, 1), used_bytes=None, capacity_bytes=None)
    assert without_backup(sizeless, 5) == 5
    assert without_backup(pool(parity(5, 1), at_stake=AtStake.MEMBER), 5 * TB) == pytest.approx(
        2 * TB
    )
