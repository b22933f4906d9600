"""Unreadable sectors in the way of a rebuild."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.exposure.pools import TB, life
from watcher.exposure.life import DriveClass
from watcher.exposure.unreadable import LATENT_PER_HOUR, meets_unreadable, unreadable

CLASSES = st.sampled_from(DriveClass)
SHARES = st.floats(0, 1)
SCRUBS = st.floats(0, 50_000)


@given(CLASSES, st.integers(0, 500), st.integers(0, 500), SHARES, SCRUBS)
def test_more_pending_sectors_never_help(
    drive_class: DriveClass, few: int, more: int, share: float, scrub: float
) -> None:
    def chance(pending: int) -> tuple[float, float, float]:
        drive = life(1, drive_class=drive_class, pending_sectors=pending)
        return unreadable(
            drive, read_bytes=8 * TB * share, read_share=share, scrub_age_hours=scrub
        ).ends

    for one, other in zip(chance(few), chance(few + more), strict=True):
        assert other >= one * (1 - 1e-12)


@given(SCRUBS, st.floats(0, 10_000))
def test_a_scrub_longer_ago_never_helps(scrub: float, more: float) -> None:
    drive = life(1)
    recent = unreadable(drive, read_bytes=8 * TB, scrub_age_hours=scrub)
    old = unreadable(drive, read_bytes=8 * TB, scrub_age_hours=scrub + more)
    assert old.likely >= recent.likely
    assert old.high >= recent.high


def test_never_scrubbed_counts_the_whole_age_and_keeps_the_specified_bound() -> None:
    drive = life(1, age_hours=30_000.0)
    never = unreadable(drive, read_bytes=8 * TB, scrub_age_hours=None)
    scrubbed = unreadable(drive, read_bytes=8 * TB, scrub_age_hours=30_000.0)
    assert never.likely == scrubbed.likely
    assert never.high >= meets_unreadable(8e12, 1e-14)


def test_first_year_shares_are_those_published() -> None:
    """3.15% of nearline, 1.46% of enterprise disks in 12 months (SIGMETRICS 2007, second hand)."""
    year = unreadable(life(1), read_bytes=8 * TB, scrub_age_hours=8760.0)
    assert year.likely == pytest.approx(0.0315)
    assert year.low == pytest.approx(0.0146)
    assert LATENT_PER_HOUR.high == pytest.approx(1 / 9259, rel=1e-3)


def test_nearline_disks_of_32_months() -> None:
    """8.5% of nearline disks in 32 months (same source): the first-year rate goes on."""
    later = unreadable(life(1), read_bytes=8 * TB, scrub_age_hours=32 / 12 * 8760.0)
    assert later.likely == pytest.approx(0.085, abs=0.005)


def test_one_pending_sector_outweighs_everything_else() -> None:
    chance = unreadable(life(1, pending_sectors=1), read_bytes=8 * TB, scrub_age_hours=100.0)
    assert chance.likely > 0.89
    assert chance.high == 1.0


def test_only_what_is_read_counts() -> None:
    half = unreadable(life(1), read_bytes=4 * TB, read_share=0.5, scrub_age_hours=8760.0)
    whole = unreadable(life(1), read_bytes=8 * TB, read_share=1.0, scrub_age_hours=8760.0)
    nothing = unreadable(
        life(1, pending_sectors=9), read_bytes=0, read_share=0.0, scrub_age_hours=8760.0
    )
    assert half.likely < whole.likely
    assert nothing.high == 0.0


def test_flash_goes_by_its_specified_classes() -> None:
    """JEDEC JESD218 (second hand): 1e-15 client, 1e-16 enterprise."""
    drive = life(1, drive_class=DriveClass.NVME)
    chance = unreadable(drive, read_bytes=2e12, scrub_age_hours=None)
    assert chance.high == pytest.approx(meets_unreadable(2e12, 1e-15))
    assert chance.likely == pytest.approx(meets_unreadable(2e12, 1e-16))
    assert 0 < chance.low < chance.likely


def test_an_unknown_size_is_no_small_one() -> None:
    drive = life(1, drive_class=DriveClass.FLASH)
    assert unreadable(drive, read_bytes=None).likely >= unreadable(drive, read_bytes=1e12).likely


def test_a_rate_of_one_is_certain_unless_nothing_is_read() -> None:
    assert meets_unreadable(1.0, 1.0) == 1.0
    assert meets_unreadable(0.0, 1.0) == 0.0
