"""How long a rebuild takes before it shows its own pace."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.exposure.pools import TB, life, parity, pool
from watcher.exposure.life import DriveClass, Recording
from watcher.exposure.rebuild import (
    OUTER_SPEEDS,
    Load,
    drive_pass_hours,
    member_capacity,
    outer_speed,
    rebuild_span,
    scrub_span,
    used_share,
)
from watcher.exposure.span import Span
from watcher.facts.pool import PoolKind

KINDS = st.sampled_from(PoolKind)


def span(kind: PoolKind = PoolKind.MD, used: int | None = 20 * TB, **load: float) -> Span:
    return rebuild_span(
        pool(parity(6, 1, (0,)), kind=kind, used_bytes=used),
        Load(**load),
        capacity_bytes=8 * TB,
        new=life(0),
    )


def test_md_and_lvm_rebuild_the_whole_device_used_or_not() -> None:
    for kind in (PoolKind.MD, PoolKind.LVM, PoolKind.DECLARED):
        assert span(kind, used=1 * TB) == span(kind, used=40 * TB)


def test_used_bytes_decide_elsewhere() -> None:
    """A published test of resilvers: time follows what is allocated (read, method only)."""
    for kind in (PoolKind.ZFS, PoolKind.BTRFS, PoolKind.FILE_PARITY):
        assert span(kind, used=10 * TB).likely == pytest.approx(
            span(kind, used=20 * TB).likely / 2, rel=0.02
        )
    assert used_share(pool(parity(6, 1), kind=PoolKind.ZFS, used_bytes=None)) == 1.0
    assert used_share(pool(parity(6, 1), kind=PoolKind.ZFS, used_bytes=80 * TB)) == 1.0


@given(KINDS, st.floats(0, 1), st.floats(0, 1))
def test_busier_users_never_shorten_a_rebuild(kind: PoolKind, one: float, other: float) -> None:
    calm, busy = sorted((one, other))
    assert span(kind, busy_share=busy).mean >= span(kind, busy_share=calm).mean * (1 - 1e-9)


@given(st.floats(1e6, 5e8), st.floats(1e6, 5e8))
def test_a_lower_limit_never_shortens_a_rebuild(one: float, other: float) -> None:
    low, high = sorted((one, other))
    slow = span(limit_bytes_per_second=low, busy_share=0.0)
    assert slow.mean >= span(limit_bytes_per_second=high, busy_share=0.0).mean * (1 - 1e-9)


def test_a_kernel_limit_of_50_mb_per_second_decides() -> None:
    """8 TB at 50 MB/s: 44.4 h at the least."""
    limited = span(limit_bytes_per_second=50e6, busy_share=0.0)
    assert limited.earliest == pytest.approx(44.4, rel=0.01)


def test_flash_under_md_is_held_by_the_kernels_usual_limit() -> None:
    """Kernel messages: 200,000 KB/s for each disk unless raised; 2 TB take 2.7 h, not 0.5 h.

    Only the earliest end counts on a limit that was raised; ZFS and btrfs know no such limit.
    """
    fast = life(0, drive_class=DriveClass.NVME)

    def fill(kind: PoolKind) -> Span:
        whole = pool(parity(3, 1, (0,)), kind=kind, used_bytes=None)
        return rebuild_span(whole, Load(busy_share=0.0), capacity_bytes=2 * TB, new=fast)

    held = 2e12 / (200_000 * 1024) / 3600
    assert fill(PoolKind.MD).likely >= held == pytest.approx(2.71, rel=0.01)
    assert fill(PoolKind.MD).earliest == pytest.approx(2e12 / 1.2e9 / 3600, rel=0.01)
    assert fill(PoolKind.ZFS).likely < held


def test_a_shingled_drive_takes_many_times_longer() -> None:
    whole = pool(parity(6, 1, (0,)))
    shingled = rebuild_span(
        whole, Load(), capacity_bytes=8 * TB, new=life(0, recording=Recording.SHINGLED)
    )
    assert shingled.likely > 3 * span().likely


def test_an_unknown_size_gives_a_wide_span() -> None:
    wide = rebuild_span(pool(parity(6, 1, (0,))), Load(), capacity_bytes=None, new=None)
    assert wide.latest / wide.earliest > span().latest / span().earliest
    assert wide.latest > 60


def test_speeds_between_the_rows_of_the_table() -> None:
    for size, speed in OUTER_SPEEDS:
        assert outer_speed(DriveClass.HARD_DISK, size) == speed
    assert outer_speed(DriveClass.HARD_DISK, 6e12) == pytest.approx(195e6)
    assert outer_speed(DriveClass.UNKNOWN, 1e12) == 180e6
    assert outer_speed(DriveClass.HARD_DISK, 40e12) == 285e6
    assert drive_pass_hours(DriveClass.NVME, 2e12) < drive_pass_hours(DriveClass.FLASH, 2e12)


def test_capacity_comes_from_the_member_its_drive_or_its_like() -> None:
    tree = parity(3, 1)
    bare = parity(3, 1).parts[0]
    assert member_capacity(pool(tree), None, life(1, capacity_bytes=5)) == 5
    assert member_capacity(pool(tree), None, None) == 8 * TB
    assert member_capacity(pool(tree), bare, None) == 8 * TB  # type: ignore[arg-type]
    assert member_capacity(pool(None), None, None) is None


def test_a_scrub_reads_and_is_not_slowed_by_shingles() -> None:
    like = life(0, recording=Recording.SHINGLED)
    read = scrub_span(pool(parity(6, 1)), Load(), capacity_bytes=8 * TB, like=like)
    assert read == span()


@pytest.mark.parametrize(
    "wrong", [{"busy_share": -0.1}, {"busy_share": 1.1}, {"limit_bytes_per_second": 0.0}]
)
def test_refuses_a_load_that_cannot_be(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"busy_share|limit"):
        Load(**wrong)
