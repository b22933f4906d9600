"""Time-zero tables of the rules about upkeep."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import pytest

from tests.rules.build import DAY, T0, TANK, member, note, of, pool, pool_past, urgency, view
from watcher.facts.margin import judge_pool
from watcher.facts.pool import (
    Member,
    MemberState,
    PoolKind,
    Protection,
    RedundancySet,
    Remark,
    Role,
    Work,
    WorkKind,
    WorkState,
)
from watcher.facts.pool_past import PoolPast
from watcher.rules.upkeep import equally_blamed


@pytest.mark.parametrize(
    ("role", "state", "expected", "words"),
    [
        (Role.DATA, MemberState.FAILED, "this-week", "a spare stands in for it"),
        (Role.DATA, MemberState.MISSING, "this-week", "a spare stands in for it"),
        (Role.SPARE, MemberState.MISSING, "this-week", "spare of the pool tank cannot be used"),
        (Role.JOURNAL, MemberState.FAILED, "today", "takes no writes"),
        (Role.LOG, MemberState.FAILED, "this-week", "log device"),
        (Role.CACHE, MemberState.FAILED, "note", "no data rests on it"),
        (Role.SPARE, MemberState.SPARE, None, ""),
        (Role.DATA, MemberState.REBUILDING, None, ""),
    ],
)
def test_what_is_out_beside_a_full_margin_is_told(
    role: Role, state: MemberState, expected: str | None, words: str
) -> None:
    """md leaves a failed member in its list, ZFS beside the spare; both say that all is well."""
    seen = view(pools=(pool(others=(member("z", state, role=role),)),))
    assert urgency("member-put-out", seen) == expected
    for finding in of("member-put-out", seen):
        assert words in finding.sentence
        assert finding.drives == ("wwn-z",)
        assert "serial number" in finding.next_step


def test_how_many_spares_are_left_is_told_and_one_at_work_is_none() -> None:
    out = member("z", MemberState.FAILED)
    at_work = member("y", MemberState.SPARE, role=Role.SPARE, said="INUSE (currently in use)")
    ready = member("x", MemberState.SPARE, role=Role.SPARE, said="AVAIL")
    for others, words in (
        ((out, at_work), "no spare is left"),
        ((out, ready), "one spare is left"),
    ):
        (finding,) = of("member-put-out", view(pools=(pool(others=others),)))
        assert words in finding.next_step


def test_in_a_pool_short_of_margin_the_margin_speaks_for_what_is_out() -> None:
    """But a lost journal stops the writing whatever the margin is."""
    out = member("z", MemberState.FAILED, errors=12)
    seen = view(pools=(pool(lost="b", others=(out,)),))
    assert urgency("member-put-out", seen) is None
    assert urgency("member-errs-inside-pool", seen) is None  # it bore nothing: it was put out
    journal = member("z", MemberState.FAILED, role=Role.JOURNAL)
    assert urgency("member-put-out", view(pools=(pool(lost="b", others=(journal,)),))) == "today"


@pytest.mark.parametrize(
    ("days", "expected"), [(34, None), (35, "note"), (99, "note"), (100, "this-week")]
)
def test_a_scrub_is_missed_after_five_weeks(days: int, expected: str | None) -> None:
    """Common practice: monthly."""
    seen = view(pools=(pool(scrubbed_at=T0 - days * DAY),))
    assert urgency("scrub-overdue", seen) == expected


@pytest.mark.parametrize(
    ("stack", "ours", "first", "expected"),
    [
        (None, None, 34, None),  # watched for too short a time
        (None, None, 35, "note"),
        (None, T0 - 3 * DAY, 400, None),
        (T0 - 90 * DAY, T0 - 3 * DAY, 400, None),  # the later one counts
    ],
)
def test_where_the_stack_keeps_no_date_our_own_record_counts(
    stack: datetime | None, ours: datetime | None, first: int, expected: str | None
) -> None:
    """And no record at all starts with the first sight."""
    past = pool_past(scrubbed_at=ours, first_seen=T0 - first * DAY)
    seen = view(pools=(pool(scrubbed_at=stack),), pool_pasts=(past,))
    assert urgency("scrub-overdue", seen) == expected


def test_no_scrub_is_asked_for_at_first_sight_while_busy_or_without_margin() -> None:
    """A rebuild comes first; what is not known is not missed."""
    old = T0 - 400 * DAY
    busy = Work(kind=WorkKind.SCRUB, done_fraction=0.1)
    assert urgency("scrub-overdue", view(pools=(pool(),))) is None
    assert urgency("scrub-overdue", view(pools=(pool(scrubbed_at=old, work=busy),))) is None
    assert urgency("scrub-overdue", view(pools=(pool(lost="b", scrubbed_at=old),))) is None
    declared = pool(scrubbed_at=old, kind=PoolKind.DECLARED)
    assert urgency("scrub-overdue", view(pools=(declared,))) is None
    mirror = pool(scrubbed_at=old, kind=PoolKind.LVM, layout="mirror")
    assert urgency("scrub-overdue", view(pools=(mirror,))) is None, "it has none"


def test_a_scrub_that_was_seen_is_dated_and_one_that_was_not_is_not_claimed() -> None:
    (seen,) = of("scrub-overdue", view(pools=(pool(scrubbed_at=T0 - 40 * DAY),)))
    assert seen.sentence == "The pool tank has not been scrubbed for 40 days."
    assert [(e.what, e.value) for e in seen.evidence] == [
        ("last scrub", f"{T0 - 40 * DAY:%Y-%m-%d} (UTC)")
    ]
    past = pool_past(first_seen=T0 - 40 * DAY)
    (never,) = of("scrub-overdue", view(pools=(pool(),), pool_pasts=(past,)))
    assert never.sentence == "No scrub of the pool tank was seen for 40 days."
    assert [(e.what, e.value) for e in never.evidence] == [("last scrub", "never seen")]
    (late,) = of("scrub-overdue", view(pools=(pool(scrubbed_at=T0 - 100 * DAY),)))
    assert (seen.level, late.level) == (1, 2)


def test_damaged_data_is_for_today_and_grows() -> None:
    """A ZFS pool with damaged data says ONLINE; only its errors line tells."""
    for amount, level in ((None, 1), (1, 1), (2, 2), (9, 4)):
        hurt = pool(notes=(note(Remark.DAMAGED_DATA, amount=amount),))
        (finding,) = of("scrub-found-damage", view(pools=(hurt,)))
        assert (finding.urgency.value, finding.level) == ("today", level)
    assert of("scrub-found-damage", view(pools=(pool(),))) == []


@pytest.mark.parametrize(
    ("layout", "expected"),
    [
        ("raid1", "note"),
        ("raid10", "note"),
        ("mirror-0", "note"),
        ("raid5", "this-week"),
        ("raid6", "this-week"),
    ],
)
def test_copies_that_differ_weigh_by_layout(layout: str, expected: str) -> None:
    """md(4): on RAID1 and RAID10 swap is the usual cause, on clean RAID5 and RAID6 hardware is."""
    differs = pool(layout=layout, notes=(note(Remark.COPIES_DIFFER, amount=128),))
    (finding,) = of("copies-disagree", view(pools=(differs,)))
    assert finding.urgency == expected
    assert ("often harmless" in finding.sentence) is (expected == "note")
    assert ("Do not let a repair write" in finding.next_step) is (expected != "note")
    few = pool(layout=layout, notes=(note(Remark.COPIES_DIFFER),))
    assert finding.level > of("copies-disagree", view(pools=(few,)))[0].level == 1


def test_damage_is_graver_than_difference() -> None:
    """One finding, not two."""
    both = pool(notes=(note(Remark.COPIES_DIFFER), note(Remark.DAMAGED_DATA)))
    assert urgency("copies-disagree", view(pools=(both,))) is None


def errs(count: int, before: int | None, *, lost: str = "", bears: int = 1) -> str | None:
    """Judge a pool whose member a has a count, with what it had before (None: no past)."""
    parts = tuple(
        member(
            x,
            MemberState.MISSING if x in lost else MemberState.GOOD,
            errors=count if x == "a" else 0,
        )
        for x in "abcd"
    )
    pasts: tuple[PoolPast, ...] = ()
    if before is not None:
        pasts = (pool_past(member_errors=(("sda1", before),)),)
    seen = view(pools=(pool(members=parts, bears=bears),), pool_pasts=pasts)
    return urgency("member-errs-inside-pool", seen)


@pytest.mark.parametrize(
    ("count", "before", "expected"),
    [(0, 0, None), (5, None, "this-week"), (5, 5, "note"), (6, 5, "this-week"), (2, 5, "note")],
)
def test_errors_on_a_member_weigh_by_growth(
    count: int, before: int | None, expected: str | None
) -> None:
    """A count that stands still is a note; the first look must not hide one."""
    assert errs(count, before) == expected


def test_growing_errors_on_a_survivor_are_for_now() -> None:
    """Bare: now. Thinned: today. A still count stays a note."""
    assert errs(6, 5, lost="d") == "now"
    assert errs(6, 5, lost="d", bears=2) == "today"
    assert errs(5, 5, lost="d") == "note"


def test_equal_counts_on_all_members_blame_nobody() -> None:
    """zpoolconcepts(7): what cannot be attributed is counted on all drives."""
    parts = tuple(member(x, errors=4) for x in "abc")
    equal = pool(members=parts, kind=PoolKind.ZFS, layout="raidz1")
    assert equally_blamed(equal) == {"sda1", "sdb1", "sdc1"}
    assert urgency("member-errs-inside-pool", view(pools=(equal,))) is None
    md = pool(members=parts)
    assert equally_blamed(md) == frozenset()
    assert urgency("member-errs-inside-pool", view(pools=(md,))) == "this-week"


def test_an_error_noted_without_a_count_is_told() -> None:
    """Some stacks only say that there were some."""
    other = note(Remark.DEVICE_GONE, member="sda1")
    noted = pool(notes=(note(Remark.MEMBER_ERRS, member="sdb1"), other))
    (finding,) = of("member-errs-inside-pool", view(pools=(noted,)))
    assert finding.drives == ("wwn-b",)
    assert [(e.what, e.value) for e in finding.evidence] == [("errors on sdb1", "noted")]


def test_errors_are_told_of_each_member_that_has_them_by_name_where_its_drive_is_not_known() -> (
    None
):
    parts = (member("a", errors=9), replace(member("b", errors=2), drives=()), member("c"))
    waiting = member("z", MemberState.SPARE, role=Role.SPARE, errors=4)
    (finding,) = of(
        "member-errs-inside-pool", view(pools=(pool(members=parts, others=(waiting,)),))
    )
    assert finding.next_step.startswith("It concerns wwn-a; sdb1. ")
    assert [(e.what, e.value) for e in finding.evidence] == [
        ("errors on sda1", "9"),
        ("errors on sdb1", "2"),
    ]
    assert finding.drives == ("wwn-a",)
    assert finding.level == 4  # the most on one of them: it doubled three times and more


@pytest.mark.parametrize(
    ("remark", "lost", "expected"),
    [
        (Remark.MIXED_PROFILES, "", "today"),
        (Remark.REFRESH_NEEDED, "", "today"),
        (Remark.LISTED_MISSING, "", "this-week"),
        (Remark.LISTED_MISSING, "b", "today"),
        (Remark.READ_ONLY, "", None),
    ],
)
def test_a_half_done_repair_is_told(remark: Remark, lost: str, expected: str | None) -> None:
    """After degraded writes and a replace, single chunks remain (btrfs, our own run)."""
    seen = view(pools=(pool(lost=lost, notes=(note(remark),)),))
    assert urgency("redundancy-not-restored", seen) == expected


def test_a_conversion_under_way_is_left_alone() -> None:
    """It is the repair."""
    busy = pool(notes=(note(Remark.MIXED_PROFILES),), work=Work(kind=WorkKind.CONVERT))
    assert urgency("redundancy-not-restored", view(pools=(busy,))) is None


def test_dirty_and_degraded_is_for_now() -> None:
    """md.rst: may hide corruption; not started by default."""
    assert (
        urgency("parity-in-doubt", view(pools=(pool(notes=(note(Remark.DIRTY_DEGRADED),)),)))
        == "now"
    )
    assert urgency("parity-in-doubt", view(pools=(pool(),))) is None


@pytest.mark.parametrize(
    ("amount", "lost", "work", "expected"),
    [
        (0, "", None, None),
        (1, "", None, "note"),
        (None, "", None, "note"),
        (9, "b", None, "today"),
        (9, "", Work(kind=WorkKind.SYNC), None),
    ],
)
def test_changes_that_parity_does_not_cover_are_told(
    amount: int | None, lost: str, work: Work | None, expected: str | None
) -> None:
    """And never is a sync advised while a drive is lost."""
    behind = pool(lost=lost, work=work, notes=(note(Remark.UNSYNCED, amount=amount),))
    seen = view(pools=(behind,))
    assert urgency("parity-behind", seen) == expected
    if lost:
        assert of("parity-behind", seen)[0].next_step.startswith("Do not sync")


def test_in_a_pool_whose_data_is_out_of_reach_no_sync_is_advised_either() -> None:
    broken = note(Remark.INACTIVE, at_most=Protection.BROKEN)
    behind = pool(notes=(note(Remark.UNSYNCED, amount=9), broken))
    (finding,) = of("parity-behind", view(pools=(behind,)))
    assert (finding.urgency, finding.level) == ("today", 4)
    assert finding.next_step.startswith("Do not sync")
    (well,) = of("parity-behind", view(pools=(pool(notes=(note(Remark.UNSYNCED),)),)))
    assert (well.next_step[:12], well.level) == ("Run the sync", 1)


@pytest.mark.parametrize(
    ("work", "expected"),
    [
        (Work(kind=WorkKind.RESYNC), "note"),
        (Work(kind=WorkKind.RESYNC, state=WorkState.PAUSED), "today"),
        (Work(kind=WorkKind.RESYNC, state=WorkState.WAITING), "today"),
        (None, "today"),
    ],
)
def test_parity_that_is_not_being_brought_in_step_is_for_today(
    work: Work | None, expected: str
) -> None:
    stale = pool(work=work, notes=(note(Remark.PARITY_STALE),))
    (finding,) = of("parity-catching-up", view(pools=(stale,)))
    assert finding.urgency == expected
    assert ("is not being" in finding.sentence) is (expected == "today")


@pytest.mark.parametrize(
    ("counts", "blameless"),
    [
        ((4, 4, 4), "abc"),
        ((4, 4, 5), ""),  # that one met more than the others
        ((4, 0, 0), ""),
        ((4, None, 4), ""),  # one of which it is not told
        ((None, None, None), ""),
    ],
)
def test_a_member_that_met_more_errors_than_its_like_is_not_held_blameless(
    counts: tuple[int | None, ...], blameless: str
) -> None:
    parts = tuple(member(x, errors=n) for x, n in zip("abc", counts, strict=True))
    whole = pool(members=parts, kind=PoolKind.ZFS, layout="raidz1")
    assert equally_blamed(whole) == {f"sd{x}1" for x in blameless}
    lone = RedundancySet(name="one", bears=0, parts=(member("d", errors=4),))
    inner = RedundancySet(name="raidz1", bears=1, parts=parts)
    over = judge_pool(
        pool=TANK,
        name="tank",
        kind=PoolKind.ZFS,
        layout="several",
        observed_at=T0,
        tree=RedundancySet(name="stripe", bears=0, parts=(inner, lone)),
    )
    assert equally_blamed(over) == {f"sd{x}1" for x in blameless}, "alone, none is like another"


def test_errors_that_grow_on_one_of_several_members_count_as_growing() -> None:
    def told(*parts: Member, before: dict[str, int], bears: int = 1) -> str | None:
        past = pool_past(member_errors=tuple(before.items()))
        seen = view(pools=(pool(members=parts, bears=bears),), pool_pasts=(past,))
        return urgency("member-errs-inside-pool", seen)

    parts = (member("a", errors=5), member("b", errors=9), member("c", errors=0))
    assert told(*parts, before={"sda1": 5, "sdb1": 8}) == "this-week"
    assert told(*parts, before={"sda1": 5, "sdb1": 9}) == "note"
    assert told(*parts[:2], before={"sda1": 5, "sdb1": 8}, bears=0) == "this-week"
    assert told(member("a", errors=1), parts[2], before={}) == "this-week"


def test_what_is_out_beside_a_full_margin_is_named_with_the_words_of_its_stack() -> None:
    said = member("y", MemberState.FAILED, said="faulty")
    nameless = replace(member("z", MemberState.MISSING), drives=())
    (finding,) = of("member-put-out", view(pools=(pool(others=(said, nameless)),)))
    assert finding.next_step.startswith("It concerns wwn-y; sdz1. ")
    assert [(e.what, e.value) for e in finding.evidence] == [
        ("sdy1", "faulty"),
        ("sdz1", "missing"),
    ]
    assert finding.level == 2


def test_a_repair_that_is_not_complete_says_what_is_left_and_hurries_only_where_data_lacks() -> (
    None
):
    def told(*remarks: Remark, **more: object) -> list[tuple[str, str]]:
        one = pool(notes=tuple(note(remark) for remark in remarks), **more)  # type: ignore[arg-type]
        found = of("redundancy-not-restored", view(pools=(one,)))
        return [(f.urgency.value, f.sentence.rpartition(": ")[2]) for f in found]

    listed = "it still lists a lost device."
    lacks = "part of its data has less protection than the pool promises."
    assert told(Remark.LISTED_MISSING) == [("this-week", listed)]
    assert told(Remark.LISTED_MISSING, Remark.MIXED_PROFILES) == [("today", lacks)]
    assert told(Remark.MIXED_PROFILES) == [("today", lacks)]
    assert told(Remark.MIXED_PROFILES, lost="ab") == []  # pool-broken says so
    assert told(Remark.MIXED_PROFILES, work=Work(kind=WorkKind.SCRUB)) == [("today", lacks)]
