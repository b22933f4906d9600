"""What names of vdevs tell."""

from __future__ import annotations

import pytest

from watcher.readers.pools.zfs_status import Status, Vdev, kind_of, leaves_of, parity_of


@pytest.mark.parametrize(
    ("name", "kind", "parity"),
    [
        ("mirror-0", "mirror", None),
        ("raidz1-0", "raidz", 1),
        ("raidz2-11", "raidz", 2),
        ("raidz3-0", "raidz", 3),
        ("draid2:4d:11c:1s-0", "draid", 2),
        ("draid:8d:9c:0s-0", "draid", 1),  # zpoolconcepts(7): parity is 1 when not given
        ("replacing-1", "replacing", None),
        ("spare-2", "spare", None),
        ("indirect-0", "indirect", None),
        ("draid2-0-0", "dspare", None),
        ("/dev/disk/by-id/wwn-0x5000c500b0000001-part1", "disk", None),
        ("12345678901234567890", "disk", None),
        ("mirror-drive", "disk", None),
    ],
)
def test_a_name_tells_what_a_vdev_is(name: str, kind: str, parity: int | None) -> None:
    assert kind_of(name) == kind
    if parity is not None:
        assert parity_of(name) == parity


def test_errors_are_the_sum_of_all_three_and_none_when_not_told() -> None:
    known = Vdev(name="a", kind="disk", said="ONLINE", read=1, write=2, checksum=3)
    assert known.errors == 6
    assert Vdev(name="a", kind="disk", said="AVAIL").errors is None


def test_all_sections_are_walked() -> None:
    one, two = (Vdev(name=n, kind="disk", said="ONLINE") for n in "ab")
    pair = Vdev(name="mirror-0", kind="mirror", said="ONLINE", parts=(one, two))
    pool = Status(name="tank", guid=None, said="ONLINE", data=(pair,), logs=(one,), spares=(two,))
    assert pool.everything == (pair, one, two)
    assert list(leaves_of(pair)) == [one, two]
