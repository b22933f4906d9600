"""Time-zero tables of the rules about margin and rebuilds."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.rules.build import (
    DAY,
    HOUR,
    T0,
    TANK,
    all_rules,
    drive,
    member,
    note,
    of,
    past,
    pool,
    pool_past,
    reading,
    urgency,
    view,
)
from watcher.facts.identity import PoolId
from watcher.facts.margin import judge_pool
from watcher.facts.pool import (
    AtStake,
    Member,
    MemberState,
    Pool,
    PoolKind,
    Protection,
    RedundancySet,
    Remark,
    Role,
    Work,
    WorkKind,
    WorkState,
)

MINUTE = timedelta(minutes=1)
MARGIN = {"margin-thinned", "margin-gone", "pool-broken", "built-without-margin"}


@pytest.mark.parametrize(
    ("letters", "bears", "lost", "expected"),
    [
        ("abc", 1, "", {}),
        ("abc", 1, "a", {"margin-gone": "now"}),
        ("abc", 1, "ab", {"pool-broken": "now"}),
        ("abcd", 2, "a", {"margin-thinned": "today"}),
        ("abcd", 2, "ab", {"margin-gone": "now"}),
        ("abcd", 2, "abc", {"pool-broken": "now"}),
        ("abcde", 3, "a", {"margin-thinned": "today"}),
        ("ab", 0, "", {"built-without-margin": "note"}),
        ("ab", 0, "a", {"pool-broken": "now"}),
    ],
)
def test_margin_alone_makes_the_urgency(
    letters: str, bears: int, lost: str, expected: dict[str, str]
) -> None:
    """raidz P survives P (zpoolconcepts(7)); a parity pool of margin 1 is bare after one loss."""
    seen = view(pools=(pool(letters, bears=bears, lost=lost),))
    found = {rule: urgency(rule, seen) for rule in MARGIN}
    assert {rule: told for rule, told in found.items() if told} == expected


@pytest.mark.parametrize(
    ("rule", "bears", "lost", "level"),
    [
        ("margin-thinned", 3, "a", 1),
        ("margin-thinned", 3, "ab", 2),
        ("margin-gone", 1, "a", 1),
        ("margin-gone", 3, "abc", 3),
        ("pool-broken", 1, "ab", 3),
        ("pool-broken", 1, "abc", 4),
    ],
)
def test_a_further_loss_is_a_worse_level_so_that_it_is_told(
    rule: str, bears: int, lost: str, level: int
) -> None:
    (finding,) = of(rule, view(pools=(pool("abcdef", bears=bears, lost=lost),)))
    assert finding.level == level
    assert finding.drives == tuple(drive(x) for x in lost)


def test_the_evidence_is_each_member_that_is_out_what_caps_and_what_the_pool_says() -> None:
    parts = (
        member("a", MemberState.FAILED, said="faulty"),
        member("b", MemberState.MISSING),
        *(member(x) for x in "cde"),
    )
    about = note(Remark.MEMBER_ERRS, "sdc1 counted errors", member="sdc1", amount=3)
    caps = note(Remark.DIRTY_DEGRADED, "parity may be wrong", at_most=Protection.BARE)
    seen = view(pools=(pool(members=parts, bears=3, notes=(about, caps), said="active"),))
    (finding,) = of("margin-gone", seen)
    assert [(e.what, e.value) for e in finding.evidence] == [
        ("member sda1", "faulty"),
        ("member sdb1", "missing"),
        ("dirty-degraded", "parity may be wrong"),
        ("what the pool says of itself", "active"),
    ]
    capped = note(Remark.CANNOT_FINISH, "unreadable", member="sdc1", at_most=Protection.BARE)
    (finding,) = of("margin-gone", view(pools=(pool(notes=(capped,)),)))
    assert [(e.what, e.value) for e in finding.evidence] == [("sdc1", "unreadable")]


def test_a_cache_that_is_out_or_well_bears_on_no_word_about_the_margin() -> None:
    out = member("y", MemberState.FAILED, role=Role.CACHE)
    well = member("z", role=Role.CACHE)
    assert not all_rules(view(pools=(pool(others=(out,)),))) & MARGIN
    (finding,) = of("margin-gone", view(pools=(pool(lost="b", others=(out, well)),)))
    assert finding.drives == (drive("b"),)
    assert "wwn-y" not in finding.next_step
    assert "hangs on" not in finding.next_step  # on all of the tree: a cache holds no margin
    assert [e.what for e in finding.evidence] == ["member sdb1"]


def test_a_lost_member_is_named_so_that_no_other_is_pulled() -> None:
    """Every instruction to touch hardware names the drive and says to power down first."""
    (finding,) = of("margin-gone", view(pools=(pool(lost="b"),)))
    assert finding.drives == ("wwn-b",)
    for words in ("wwn-b", "serial number", "powering down first", "at least as large"):
        assert words in finding.next_step
    assert "everything in the pool" in finding.sentence


def test_a_rebuild_that_brings_the_margin_back_is_left_to_finish() -> None:
    """With its progress where the stack tells it; not while it waits."""
    for work, start in (
        (Work(kind=WorkKind.REBUILD, done_fraction=0.4), "A rebuild is running (40% done)"),
        (Work(kind=WorkKind.REBUILD), "A rebuild is running: let"),
        (Work(kind=WorkKind.REBUILD, state=WorkState.WAITING), "Touch no other drive"),
    ):
        (finding,) = of("margin-thinned", view(pools=(pool("abcd", bears=2, lost="a", work=work),)))
        assert finding.next_step.startswith(start)


def _mirror(*parts: Member) -> RedundancySet:
    return RedundancySet(name="mirror", bears=len(parts) - 1, parts=parts)


def _stripe(*parts: RedundancySet) -> Pool:
    """Make a pool of several sets."""
    return judge_pool(
        pool=TANK,
        name="tank",
        kind=PoolKind.ZFS,
        layout="several",
        observed_at=T0,
        tree=RedundancySet(name="stripe", bears=0, parts=parts),
    )


def test_in_a_stripe_of_mirrors_the_lone_copies_are_named() -> None:
    """One more loss costs everything only where it hits them; any other drive may go."""
    gone = member("b", MemberState.MISSING)
    pairs = _stripe(_mirror(member("a"), gone), _mirror(member("c"), member("d")))
    (finding,) = of("margin-gone", view(pools=(pairs,)))
    assert "out: wwn-b. The pool hangs on wwn-a: leave that alone above all." in finding.next_step
    (finding,) = of("margin-gone", view(pools=(pool(lost="b"),)))
    assert "hangs on" not in finding.next_step  # on all of them


def test_of_several_lost_the_one_that_holds_the_margin_comes_first() -> None:
    parity = RedundancySet(
        name="raidz2",
        bears=2,
        parts=(member("a", MemberState.OFFLINE), member("b"), member("c"), member("d")),
    )
    mixed = _stripe(parity, _mirror(member("e"), member("f", MemberState.MISSING)))
    (finding,) = of("margin-gone", view(pools=(mixed,)))
    assert "out: wwn-f; wwn-a." in finding.next_step


def test_a_stripe_over_mirrors_of_their_own_bears_what_they_bear() -> None:
    """md raid0 over two raid1 arrays: "one more drive fails, all is lost" would be untrue."""
    mirrors = tuple(
        replace(
            pool(letters, layout="raid1", key=PoolId(f"md:{letters}"), lost=lost), node=f"/dev/{n}"
        )
        for letters, lost, n in (("ab", "", "md0"), ("cd", "d", "md1"))
    )
    over = tuple(
        replace(member(x), name=n, node=f"/dev/{n}", drives=(drive(x), drive(y)))
        for n, x, y in (("md0", "a", "b"), ("md1", "c", "d"))
    )
    stripe = pool(members=over, bears=0, layout="raid0", key=PoolId("md:over"))
    seen = view(reading("a"), pools=(*mirrors, stripe))
    assert urgency("built-without-margin", seen) is None
    assert [home.pool for home in seen.pools_of(drive("a"))] == ["md:ab"]
    (finding,) = of("margin-gone", seen)
    assert finding.pool == "md:cd"
    assert urgency("built-without-margin", view(pools=(stripe,))) == "note"


def test_a_filesystem_in_an_encrypted_device_on_an_array_is_borne_by_the_array() -> None:
    """Else each of its drives would belong to a pool "which cannot lose any drive"."""
    array = replace(pool("ab", layout="raid1", key=PoolId("md:ab")), node="/dev/md0")
    drives = (drive("a"), drive("b"))
    inside = replace(member("a"), node="/dev/dm-1", drives=drives, stands_on=("/dev/md0",))
    files = pool(members=(inside,), bears=0, layout="single", key=PoolId("btrfs:files"))
    seen = view(reading("a"), pools=(array, files))
    assert urgency("built-without-margin", seen) is None
    assert [home.pool for home in seen.pools_of(drive("a"))] == ["md:ab"]
    plain = replace(array, full_margin=0, margin=0, protection=Protection.BARE)
    assert "btrfs:files" in {
        found.pool for found in of("built-without-margin", view(pools=(plain, files)))
    }


def test_a_spare_that_is_there_and_not_filled_is_named_before_one_is_bought() -> None:
    """An array that was started read-only, or held, leaves its spare waiting."""
    spare = member("z", MemberState.SPARE, role=Role.SPARE, said="spare")
    (finding,) = of("margin-gone", view(pools=(pool(lost="b", others=(spare,)),)))
    assert "A spare is there and is not being filled (wwn-z): see why" in finding.next_step
    work = Work(kind=WorkKind.REBUILD, done_fraction=0.1)
    (finding,) = of("margin-gone", view(pools=(pool(lost="b", others=(spare,), work=work),)))
    assert "A spare" not in finding.next_step
    at_work = member("z", MemberState.SPARE, role=Role.SPARE, said="INUSE")
    (finding,) = of("margin-gone", view(pools=(pool(lost="b", others=(at_work,)),)))
    assert "A spare" not in finding.next_step


def test_where_drives_stand_alone_no_sync_runs_and_the_rest_can_be_read() -> None:
    """A sync after a loss forgets what parity could still bring back."""
    alone = {"kind": PoolKind.FILE_PARITY, "at_stake": AtStake.MEMBER}
    (finding,) = of("margin-gone", view(pools=(pool(lost="b", **alone),)))
    assert "Let no sync run" in finding.next_step
    assert finding.next_step.index("no sync") < finding.next_step.index("Touch no other drive")
    (finding,) = of("pool-broken", view(pools=(pool(lost="ab", **alone),)))
    assert finding.sentence.endswith("What sits on its other drives can be read as before.")
    (finding,) = of("pool-broken", view(pools=(pool(lost="ab"),)))
    assert "can be read" not in finding.sentence


def test_of_a_broken_pool_it_is_said_which_drives_are_out() -> None:
    (finding,) = of("pool-broken", view(pools=(pool(lost="ab"),)))
    assert finding.next_step.endswith("Out of it: wwn-a; wwn-b.")


def test_a_member_without_a_device_is_named_by_the_drive_that_left() -> None:
    """Its place has a number only; the owner looks for a bay."""
    empty = Member(name="slot 2", state=MemberState.MISSING)
    hurt = pool(members=(member("a"), member("b"), empty))
    before = pool_past(drives=tuple(map(drive, "abc")))
    known = past("c", bay="3")
    (finding,) = of("margin-gone", view(pools=(hurt,), pool_pasts=(before,), pasts=(known,)))
    assert "than the one that is out: bay 3 (Altair A8, 8 TB, serial XC1)." in finding.next_step
    both = pool(members=(member("a"), member("b"), empty, replace(empty, name="slot 3")), bears=2)
    four = pool_past(drives=tuple(map(drive, "abcd")))
    (finding,) = of("margin-gone", view(pools=(both,), pool_pasts=(four,)))
    assert "than those that are out: wwn-c; wwn-d." in finding.next_step
    two = pool_past(drives=tuple(map(drive, "abcd")))
    (finding,) = of("margin-gone", view(pools=(hurt,), pool_pasts=(two,)))
    assert "than the one that is out: slot 2." in finding.next_step, "which one is not known"


def test_the_drive_for_which_a_spare_is_filled_is_named() -> None:
    """The spare has its place already: else the message would name nobody."""
    filling = (member("a"), member("b"), member("z", MemberState.REBUILDING))
    run = Work(kind=WorkKind.REBUILD, done_fraction=0.4)
    dead = (member("c", MemberState.FAILED),)
    (finding,) = of("margin-gone", view(pools=(pool(members=filling, others=dead, work=run),)))
    assert finding.next_step.endswith(
        "let it finish. A spare stands in for wwn-c, which stays where it is for now. "
        "Touch no drive."
    )


def test_with_nothing_out_no_cable_is_to_be_checked() -> None:
    """A drive is being filled, or nobody knows what is lacking: there is nothing to pull."""
    filling = (member("a"), member("b"), member("c", MemberState.REBUILDING))
    running = pool(members=filling, work=Work(kind=WorkKind.REBUILD, done_fraction=0.4))
    (finding,) = of("margin-gone", view(pools=(running,)))
    assert finding.next_step.endswith(
        "A rebuild is running (40% done): let it finish. Touch no drive."
    )
    (finding,) = of("margin-gone", view(pools=(pool(members=filling),)))
    assert "cable" not in finding.next_step
    assert (
        "Its new member is not filled, and no rebuild runs (wwn-c): see why." in finding.next_step
    )
    unseen = pool(notes=(note(Remark.PARITY_STALE, "", at_most=Protection.BARE),))
    odd = replace(unseen, notes=())
    (finding,) = of("margin-gone", view(pools=(odd,)))
    assert "No drive of it is known to be out" in finding.next_step
    remedy = "Part of it has one copy; this brings it back: btrfs balance start /srv."
    left_over = note(Remark.MIXED_PROFILES, remedy, at_most=Protection.BARE)
    assert urgency("margin-gone", view(pools=(pool(lost="b", notes=(left_over,)),))) == "now"
    (finding,) = of("margin-gone", view(pools=(pool(notes=(left_over,)),)))
    assert finding.urgency.value == "today", "a command mends it: nobody is woken"
    assert finding.next_step.endswith(f"No drive of it is out. {remedy} Touch no drive.")


def test_power_goes_off_in_a_bare_pool_only_after_the_copy_and_with_the_reason() -> None:
    (finding,) = of("margin-gone", view(pools=(pool(lost="b"),)))
    assert "after the copy is made: a weak drive may not start again" in finding.next_step
    (finding,) = of("margin-thinned", view(pools=(pool("abcd", bears=2, lost="a"),)))
    assert "weak drive" not in finding.next_step


def test_a_second_loss_during_a_rebuild_waits_for_its_end() -> None:
    """First the rebuild that runs, then the power of the box."""
    parts = (member("a"), member("b"), member("c", MemberState.REBUILDING))
    hurt = pool(
        members=(*parts, member("d", MemberState.MISSING)),
        bears=2,
        work=Work(kind=WorkKind.REBUILD, done_fraction=0.1),
    )
    (finding,) = of("margin-gone", view(pools=(hurt,)))
    step = finding.next_step
    assert step.index("let it finish") < step.index("Then the one that is out: wwn-d")
    assert step.index("Then the one") < step.index("powering down")


def test_a_reshape_that_adds_margin_lost_none() -> None:
    """RAID5 to RAID6: the new drive's place is not up until the reshape ends (md(4))."""
    growing = (member("a"), member("b"), member("c"), member("d", MemberState.REBUILDING))
    work = Work(kind=WorkKind.RESHAPE, done_fraction=0.03)
    seen = view(pools=(pool(members=growing, bears=2, layout="raid6", work=work),))
    assert all_rules(seen) == {"rebuild-running"}
    (finding,) = of("rebuild-running", seen)
    assert "can lose 1 now as before, and 2 drives when that is done" in finding.sentence
    capped = (note(Remark.FROZEN, at_most=Protection.BARE),)
    seen = view(pools=(pool(members=growing, bears=2, work=work, notes=capped),))
    assert "margin-gone" in all_rules(seen)
    first = pool(members=(growing[0], growing[3]), layout="raid5", work=work)
    assert first.protection is Protection.BARE
    assert all_rules(view(pools=(first,))) == {"rebuild-running"}
    lost = (*growing[:2], member("c", MemberState.MISSING), growing[3])
    seen = view(pools=(pool(members=lost, bears=2, layout="raid6", work=work),))
    assert "margin-gone" in all_rules(seen)


def test_a_pool_of_readable_members_loses_only_what_sat_on_the_drive() -> None:
    """Dedicated parity: at stake is the member."""
    lost = pool(lost="b", kind=PoolKind.FILE_PARITY, at_stake=AtStake.MEMBER)
    (finding,) = of("margin-gone", view(pools=(lost,)))
    assert "what sits on it" in finding.sentence


def test_a_first_build_is_no_loss() -> None:
    """A new RAID5 shows one member missing while its parity is filled (kernel 6.1)."""
    filling = (member("a"), member("b"), member("c", MemberState.REBUILDING))
    new = pool(members=filling, work=Work(kind=WorkKind.FIRST_BUILD, done_fraction=0.2))
    assert all_rules(view(pools=(new,))) == {"rebuild-running"}
    lost = (member("a"), member("b", MemberState.FAILED), member("c", MemberState.REBUILDING))
    capped = (note(Remark.FROZEN, at_most=Protection.BARE),)
    held = pool(members=filling, work=Work(kind=WorkKind.FIRST_BUILD), notes=capped)
    assert "margin-gone" in all_rules(view(pools=(held,)))
    hurt = pool(members=lost, work=Work(kind=WorkKind.FIRST_BUILD), bears=2)
    assert "margin-gone" in all_rules(view(pools=(hurt,)))


def test_a_suspended_pool_is_broken_however_well_its_members_look() -> None:
    """A suspended ZFS pool lists all its vdevs as ONLINE."""
    for remark in (Remark.SUSPENDED, Remark.INACTIVE):
        stopped = pool(notes=(note(remark, at_most=Protection.BROKEN),))
        (finding,) = of("pool-broken", view(pools=(stopped,)))
        assert finding.sentence == "The pool tank has stopped: its data cannot be reached."
        assert finding.evidence[0].value == "as seen"


@pytest.mark.parametrize(
    ("lost", "sentence"),
    [
        ("", None),  # scrub-found-damage says so
        ("a", "The pool tank has lost some of its data, and not all of its drives stand."),
        ("ab", "The pool tank has lost some of its data, and not all of its drives stand."),
        ("abc", "The pool tank lost more drives than it can bear."),
    ],
)
def test_damaged_data_beside_a_lost_drive_is_no_loss_of_more_drives_than_the_pool_bears(
    lost: str, sentence: str | None
) -> None:
    """raidz2 with a drive out and a file that no copy heals: the other drives still carry it."""
    damaged = note(Remark.DAMAGED_DATA, "1 place", amount=1, at_most=Protection.BROKEN)
    seen = view(pools=(pool("abcde", bears=2, lost=lost, notes=(damaged,)),))
    assert [f.sentence for f in of("pool-broken", seen)] == ([sentence] if sentence else [])
    assert "scrub-found-damage" in all_rules(seen)


def test_an_unknown_pool_has_no_margin_finding_but_is_not_silent() -> None:
    """Not known is neither whole nor bare."""
    strange = pool(members=(member("a"), member("b", MemberState.UNKNOWN), member("c")))
    assert strange.protection is Protection.UNKNOWN
    rules = all_rules(view(pools=(strange,)))
    assert not rules & MARGIN
    assert "pool-not-understood" in rules


@pytest.mark.parametrize(
    ("answered", "in_use", "expected"),
    [(("md",), True, "now"), ((), True, None), (("zfs",), True, None), (("md",), False, None)],
)
def test_a_pool_that_its_stack_no_longer_lists_is_gone(
    answered: tuple[str, ...], in_use: bool, expected: str | None
) -> None:
    """An array whose last leg went vanished from mdstat altogether (kernel 6.1)."""
    seen = view(pool_pasts=(pool_past(in_use=in_use),), answered=answered)
    assert urgency("pool-gone", seen) == expected


def test_a_pool_that_is_gone_was_last_seen_before_now_though_the_clock_went_back() -> None:
    for last_seen, ago in ((T0 - HOUR, "1 h"), (T0 + 3 * HOUR, "0 s")):
        past = pool_past(last_seen=last_seen, drives=(drive("b"), drive("a")))
        (finding,) = of("pool-gone", view(pool_pasts=(past,)))
        assert finding.drives == (drive("a"), drive("b"))
        assert [(e.what, e.value) for e in finding.evidence] == [
            ("last seen", f"{last_seen:%Y-%m-%d %H:%M} UTC, {ago} ago, then whole")
        ]


def test_how_long_a_pool_has_not_been_whole_is_evidence() -> None:
    """The exposure so far."""
    seen = view(
        pools=(pool(lost="b"),), pool_pasts=(pool_past(not_whole_since=T0 - DAY - 2 * HOUR),)
    )
    (finding,) = of("margin-gone", seen)
    assert ("not whole for", "1 day 2 h") in [(e.what, e.value) for e in finding.evidence]
    assert finding.pool == TANK
