"""What the rules look at, and how drives are named."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import pytest

from tests.rules.build import (
    DAY,
    T0,
    TANK,
    drive,
    event,
    member,
    past,
    pool,
    pool_past,
    reading,
    unread,
    view,
)
from watcher.facts.drive import Metric, Unread
from watcher.facts.identity import DriveId, PoolId, about_drive
from watcher.facts.kernel_event import Category
from watcher.facts.pool import Member, MemberState
from watcher.rules.view import say_bay, trace_up_to


@pytest.mark.parametrize(
    ("bay", "said"),
    [
        ("3", "bay 3"),
        ("A2", "bay A2"),
        ("12", "bay 12"),
        ("top left", "top left"),
        ("tray 3", "tray 3"),
    ],
)
def test_a_bay_is_said_in_the_owners_words(bay: str, said: str) -> None:
    """A bare number or letter gets the word bay."""
    assert say_bay(bay) == said


def test_a_drive_is_named_by_bay_model_size_and_serial() -> None:
    """Without a bay by where it was seen."""
    assert view(reading("a", bay="3")).label_of(drive("a")) == (
        "bay 3 (Altair A8, 8 TB, serial XA1)"
    )
    assert view(reading("a")).label_of(drive("a")) == "Altair A8, 8 TB, serial XA1 (sda)"
    assert view(pasts=(past("b", bay="top left"),)).label_of(drive("b")) == (
        "top left (Altair A8, 8 TB, serial XB1)"
    )


def test_a_stranger_is_named_by_what_is_known() -> None:
    """By its id, or by what its bridge tells."""
    assert view().label_of(DriveId("wwn-9")) == "wwn-9"
    half = replace(unread("b", Unread.GARBLED), model="Vega V2", bay="4")
    assert view(unread=(half,)).label_of(drive("b")) == (
        "bay 4 (Vega V2, size unknown, serial unknown)"
    )


def test_a_drive_without_model_and_serial_is_named_by_its_place() -> None:
    """Read before or not: never by the id that we made up for it, never with holes in the line."""
    virtual = DriveId("unidentified_vda")
    unseen = replace(
        unread("a", Unread.NO_SMART), drive=virtual, node="/dev/vda", capacity_bytes=275 * 10**9
    )
    assert view(unread=(unseen,)).label_of(virtual) == "drive at vda (275 GB)"
    known = replace(past("a"), identity=replace(past("a").identity, model="", serial=""))
    assert view(pasts=(known,)).label_of(known.identity.drive) == "drive at sda (8 TB)"
    in_bay = replace(unseen, bay="4")
    assert view(unread=(in_bay,)).label_of(virtual) == "bay 4 (275 GB, tells no serial number)"


def test_the_least_protected_pool_of_a_drive_comes_first() -> None:
    """And a drive that left is known by the pool's past."""
    bare = pool("ab", lost="b", layout="raid1", key=PoolId("md:zoo"))
    whole = pool("abc")
    assert view(pools=(whole, bare)).pools_of(drive("a")) == (bare, whole)
    gone = view(pools=(pool("bc"),), pool_pasts=(pool_past(drives=(drive("a"),)),))
    assert [p.pool for p in gone.pools_of(drive("a"))] == [TANK]
    assert view(pools=(whole,)).pools_of(drive("z")) == ()


def test_a_drive_is_out_of_a_pool_that_goes_on_without_it() -> None:
    """Put out, or replaced; where members name no drives it is not known, and not said."""
    out = pool(members=(member("a"), member("b", MemberState.FAILED)))
    seen = view()
    assert seen.is_out_of(drive("b"), out)
    assert not seen.is_out_of(drive("a"), out)
    assert seen.is_out_of(drive("z"), out)
    blind = pool(members=(member("a"), Member(name="sdb1", state=MemberState.GOOD)))
    assert not seen.is_out_of(drive("b"), blind)
    assert not seen.is_out_of(drive("a"), replace(out, tree=None))


def test_events_are_found_by_their_subject() -> None:
    """Only its own."""
    mine, other = event("a", Category.LINK), event("b", Category.LINK)
    assert view(recent=(mine, other)).events_about(about_drive(drive("a"))) == (mine,)


def test_a_trace_runs_up_to_the_reading_and_never_counts_it_twice() -> None:
    """None where the past or the reading lacks the metric."""
    before = past("a", {Metric.PENDING_SECTORS: [(3, 0)]}).trace(Metric.PENDING_SECTORS)
    trace = trace_up_to(before, T0, 5)
    assert trace is not None
    assert trace.points == ((T0 - 3 * DAY, 0), (T0, 5))
    assert trace_up_to(trace, T0, 5) == trace
    assert trace_up_to(None, T0, 5) is None
    assert trace_up_to(before, T0, None) is None


def test_the_time_must_be_aware() -> None:
    """UTC, checked."""
    with pytest.raises(ValueError, match="now"):
        replace(view(), now=datetime(2026, 3, 1))  # noqa: DTZ001 - that is the point


def test_of_several_drives_that_gave_no_reading_each_is_found_at_its_own_place() -> None:
    """The wrong bay would send a person to the wrong drive."""
    seen = view(
        unread=tuple(
            replace(unread(x, Unread.HUNG), bay=bay, node=f"/dev/sd{x}", capacity_bytes=size)
            for x, bay, size in (
                ("a", "1", 10**12),
                ("b", None, 2 * 10**12),
                ("c", "3", 3 * 10**12),
            )
        )
    )
    assert [seen.bay_of(drive(x)) for x in "abcd"] == ["1", None, "3", None]
    assert [seen.node_of(drive(x)) for x in "abcd"] == ["sda", "sdb", "sdc", None]
    assert [seen.label_of(drive(x)) for x in "abcd"] == [
        "bay 1 (1 TB, tells no serial number)",
        "drive at sdb (2 TB)",
        "bay 3 (3 TB, tells no serial number)",
        "wwn-d",
    ]


def test_a_reading_without_a_bay_leaves_it_to_the_past() -> None:
    seen = view(reading("a"), pasts=(past("a", bay="4"), past("b", bay="5")))
    assert [seen.bay_of(drive(x)) for x in "ab"] == ["4", "5"]


def test_a_pool_of_unknown_margin_counts_as_the_least_protected() -> None:
    unsure = pool(
        members=(member("a"), member("b", MemberState.UNKNOWN)), key=PoolId("md:z"), layout="raid1"
    )
    bare = pool("ac", lost="c", key=PoolId("md:a"))
    seen = view(pools=(bare, unsure))
    assert [p.pool for p in seen.pools_of(drive("a"))] == ["md:z", "md:a"]
