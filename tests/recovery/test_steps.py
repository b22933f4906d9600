from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.recovery.world import Followed, World
from watcher.facts.pool import (
    LOST_STATES,
    MemberState,
    Noted,
    PoolKind,
    Protection,
    Remark,
    Work,
    WorkKind,
    WorkState,
)
from watcher.recovery.record import Recovery, Step
from watcher.recovery.sights import Sight
from watcher.recovery.steps import (
    TABLE,
    VERIFY_WITHIN,
    advance,
    is_unverified_for_long,
    needs_recovery,
    open_recovery,
)

ON_THE_WAY = [step for step in Step if step is not Step.WHOLE]
BEFORE_REBUILD = [Step.MAKE_SURE, Step.GET_DRIVE, Step.PROVE, Step.SWAP]
WHOLE_SIGHTS = {Sight.UNCLEAN, Sight.UNCHECKED, Sight.CHECKED}


def test_the_table_answers_for_every_step_and_every_sight() -> None:
    assert set(TABLE) == {(step, sight) for step in ON_THE_WAY for sight in Sight}


@pytest.mark.parametrize("sight", [Sight.BLIND, Sight.GONE, Sight.BROKEN])
@pytest.mark.parametrize("step", ON_THE_WAY)
def test_what_cannot_be_seen_or_is_broken_moves_nothing(step: Step, sight: Sight) -> None:
    assert TABLE[step, sight] is step


def test_only_a_check_from_verify_ends_a_recovery_well() -> None:
    ends = {(step, sight) for (step, sight), to in TABLE.items() if to is Step.WHOLE}
    called_off = {(step, Sight.CALLED_OFF) for step in ON_THE_WAY}
    assert ends == {(Step.VERIFY, Sight.CHECKED)} | called_off


def test_verify_is_reached_only_by_a_pool_that_is_whole() -> None:
    reached = {sight for (_, sight), to in TABLE.items() if to is Step.VERIFY}
    stays = {s for s in reached if any(TABLE[step, s] is Step.VERIFY for step in BEFORE_REBUILD)}
    assert stays == WHOLE_SIGHTS
    for sight in set(Sight) - WHOLE_SIGHTS - {Sight.BLIND, Sight.GONE, Sight.BROKEN}:
        assert TABLE[Step.VERIFY, sight] is not Step.VERIFY, sight


@pytest.mark.parametrize(
    ("step", "sight", "to"),
    [
        (Step.MAKE_SURE, Sight.OUT, Step.MAKE_SURE),
        (Step.MAKE_SURE, Sight.SURE, Step.GET_DRIVE),
        (Step.MAKE_SURE, Sight.REBUILDING, Step.REBUILD),
        (Step.MAKE_SURE, Sight.UNCHECKED, Step.VERIFY),
        (Step.GET_DRIVE, Sight.OUT, Step.GET_DRIVE),
        (Step.GET_DRIVE, Sight.NEW_HERE, Step.PROVE),
        (Step.GET_DRIVE, Sight.NEW_PROVEN, Step.SWAP),
        (Step.PROVE, Sight.OUT, Step.PROVE),
        (Step.PROVE, Sight.NEW_PROVEN, Step.SWAP),
        (Step.PROVE, Sight.NEW_AWAY, Step.GET_DRIVE),
        (Step.SWAP, Sight.NEW_AWAY, Step.GET_DRIVE),
        (Step.MAKE_SURE, Sight.NEW_AWAY, Step.MAKE_SURE),
        (Step.SWAP, Sight.NEW_HERE, Step.SWAP),
        (Step.SWAP, Sight.TAKEN_IN, Step.REBUILD),
        (Step.SWAP, Sight.REBUILDING, Step.REBUILD),
        (Step.REBUILD, Sight.LEFT_OVER, Step.REBUILD),
        (Step.REBUILD, Sight.NEW_LOST, Step.GET_DRIVE),
        (Step.REBUILD, Sight.OUT, Step.MAKE_SURE),
        (Step.REBUILD, Sight.UNCLEAN, Step.VERIFY),
        (Step.VERIFY, Sight.UNCHECKED, Step.VERIFY),
        (Step.VERIFY, Sight.UNCLEAN, Step.VERIFY),
        (Step.VERIFY, Sight.OUT, Step.MAKE_SURE),
        (Step.VERIFY, Sight.LEFT_OVER, Step.REBUILD),
        (Step.VERIFY, Sight.CHECKED, Step.WHOLE),
    ],
)
def test_a_step_leads_where_it_should(step: Step, sight: Sight, to: Step) -> None:
    """Stated by hand, apart from the table."""
    assert TABLE[step, sight] is to


def followed(*, bears: int = 2, kind: PoolKind = PoolKind.MD) -> Followed:
    made = Followed(World.of("a", "b", "c", "d", bears=bears, kind=kind))
    made.look()
    made.world.now += timedelta(minutes=10)
    return made


def opened() -> Followed:
    made = followed()
    made.world.set("b", MemberState.FAILED)
    made.look()
    assert made.recovery is not None
    return made


def recovery_of(made: Followed) -> Recovery:
    assert made.recovery is not None
    return made.recovery


def test_a_whole_pool_needs_no_recovery() -> None:
    assert not needs_recovery(World.of("a", "b", bears=1).seen())
    with pytest.raises(ValueError, match="no pool that needs"):
        open_recovery(World.of("a", "b", bears=1).seen(), World().now)


def test_a_pool_built_without_margin_needs_none_until_it_breaks() -> None:
    world = World.of("a", "b", bears=0)
    assert not needs_recovery(world.seen())
    world.set("a", MemberState.FAILED)
    assert needs_recovery(world.seen())


def test_a_pool_that_fills_its_parity_for_the_first_time_needs_none() -> None:
    world = World.of("a", "b", "c", bears=1)
    world.set("c", MemberState.REBUILDING)
    world.work = Work(kind=WorkKind.FIRST_BUILD, done_fraction=0.2)
    assert not needs_recovery(world.seen())
    world.set("b", MemberState.FAILED)
    assert needs_recovery(world.seen())


def test_parity_that_only_lags_behind_asks_for_a_sync_and_no_recovery() -> None:
    world = World.of("a", "b", bears=1, kind=PoolKind.FILE_PARITY)
    world.notes = [Noted(remark=Remark.UNSYNCED, text="3 files changed", at_most=Protection.BARE)]
    assert not needs_recovery(world.seen())
    world.set("a", MemberState.MISSING)
    assert needs_recovery(world.seen())


def test_the_same_survey_twice_changes_nothing() -> None:
    made = opened()
    again, events = advance(recovery_of(made), made.world.seen(), made.world.now)
    assert (again, events) == (made.recovery, ())


def test_an_older_survey_changes_nothing() -> None:
    made = opened()
    made.world.now -= timedelta(minutes=5)
    made.world.set("b", MemberState.GOOD)
    again, events = advance(recovery_of(made), made.world.seen(), made.world.now)
    assert (again, events) == (made.recovery, ())


def test_quiet_is_no_evidence() -> None:
    """A new drive is here and proven, and years pass: without a rebuild nothing moves on."""
    made = opened()
    made.world.sizes["n1"] = made.world.sizes["d-b"]
    made.world.proofs["n1"] = "its burn-in passed"
    made.world.now += timedelta(minutes=10)
    made.look()
    before = recovery_of(made).step
    for _ in range(50):
        made.world.now += timedelta(days=30)
        assert made.look() == ()
    assert before is recovery_of(made).step is Step.SWAP


def at_swap() -> Followed:
    made = opened()
    made.world.sizes["n1"] = made.world.sizes["d-b"]
    made.world.proofs["n1"] = "its burn-in passed"
    later(made)
    assert recovery_of(made).step is Step.SWAP
    return made


def later(made: Followed, minutes: int = 10) -> Recovery:
    made.world.now += timedelta(minutes=minutes)
    made.look()
    return recovery_of(made)


def test_a_new_drive_that_left_the_box_leads_back_to_getting_one() -> None:
    """Else a command would name a drive that is not there, or a placeholder, for ever."""
    made = at_swap()
    made.world.away = {"n1"}
    assert later(made).step is Step.SWAP
    found = later(made, 30)
    assert (found.step, found.new_drive) == (Step.GET_DRIVE, None)
    assert found.stays[-1].entered_on == ("n1 is not here any more",)
    made.world.away = set()
    found = later(made)
    assert (found.step, found.new_drive) == (Step.SWAP, "n1")


def test_a_look_that_misses_the_new_drive_once_sends_nobody_back() -> None:
    made = at_swap()
    for _ in range(4):
        made.world.away = {"n1"}
        assert later(made, 300).step is Step.SWAP
        made.world.away = set()
        assert later(made, 300).step is Step.SWAP


def test_a_look_that_lists_no_drives_sends_nobody_back() -> None:
    made = at_swap()
    made.world.away, made.world.lists_drives = {"n1"}, False
    for _ in range(4):
        assert later(made, 300).step is Step.SWAP
    made.world.lists_drives = True
    assert later(made).step is Step.SWAP
    assert later(made, 31).step is Step.GET_DRIVE


def test_a_new_drive_that_does_not_fit_any_more_leads_back_to_getting_one() -> None:
    """A larger member is lost as well, and the drive must stand in for it."""
    made = followed()
    made.world.sizes["d-c"] += 2048
    made.world.set("b", MemberState.FAILED)
    made.look()
    made.world.sizes["n1"] = made.world.sizes["d-b"]
    made.world.proofs["n1"] = "its burn-in passed"
    assert later(made).step is Step.SWAP
    made.world.set("c", MemberState.FAILED)
    found = later(made)
    assert (found.step, found.new_drive) == (Step.GET_DRIVE, None)
    assert "n1 is no replacement any more: It is" in found.stays[-1].entered_on[0]


def test_of_a_new_drive_that_holds_the_first_place_none_is_at_hand_for_the_second() -> None:
    made = at_swap()
    made.world.set("c", MemberState.FAILED)
    assert later(made).step is Step.SWAP
    made.world.put("n1", "b", MemberState.GOOD)
    found = later(made)
    assert (found.step, found.new_drive) == (Step.GET_DRIVE, None)
    assert found.stays[-1].entered_on == ("no drive that fits is here",)


def test_a_new_drive_that_another_pool_took_leads_back_to_getting_one() -> None:
    """One whose identity cannot be told any more may still be free."""
    made = at_swap()
    made.world.sizes["m0"] = 2048  # beside one that is too small
    made.world.now += timedelta(minutes=10)
    seen = made.world.seen()
    small = tuple(one for one in seen.newcomers if one.identity.drive == "m0")
    taken = replace(seen, newcomers=small)
    found, _ = advance(recovery_of(made), taken, seen.at)
    assert (found.step, found.new_drive) == (Step.GET_DRIVE, None)
    assert found.stays[-1].entered_on == ("n1 is in a pool already",)
    known = {drive: who for drive, who in seen.identities.items() if drive != "n1"}
    found, _ = advance(recovery_of(made), replace(taken, identities=known), seen.at)
    assert (found.step, found.new_drive) == (Step.SWAP, "n1")


def test_a_new_drive_whose_place_cannot_be_told_stays_the_new_drive() -> None:
    made = at_swap()
    made.world.put("n1", "b", MemberState.UNKNOWN)
    made.world.set("c", MemberState.FAILED)
    made.world.notes = [Noted(remark=Remark.MIXED_PROFILES, text="mixed", at_most=Protection.BARE)]
    assert made.world.seen().is_readable
    assert later(made).step is Step.SWAP


def test_an_announcement_alone_moves_no_step() -> None:
    made = followed()
    made.world.announced = {"d-a"}
    made.look()
    for _ in range(5):
        made.world.now += timedelta(hours=1)
        made.look()
    assert recovery_of(made).step is Step.MAKE_SURE
    assert recovery_of(made).is_planned


def test_a_pool_of_a_kind_without_a_check_is_over_when_it_is_seen_whole_twice() -> None:
    made = followed(kind=PoolKind.DECLARED)
    made.world.set("b", MemberState.FAILED)
    made.look()
    made.world.set("b", MemberState.GOOD)
    for _ in range(2):
        made.world.now += timedelta(minutes=10)
        made.look()
    assert not recovery_of(made).is_open
    assert "offers no check" in recovery_of(made).outcome


def test_a_check_that_ended_before_the_pool_was_whole_proves_nothing() -> None:
    made = opened()
    made.world.scrubbed_at = made.world.now
    made.world.now += timedelta(minutes=10)
    made.world.set("b", MemberState.GOOD)
    made.look()
    made.world.now += timedelta(minutes=10)
    made.look()
    assert recovery_of(made).step is Step.VERIFY


def test_errors_that_grow_while_it_is_checked_are_no_clean_check() -> None:
    made = opened()
    made.world.counts = {"c": 4}
    made.world.now += timedelta(minutes=10)
    made.world.set("b", MemberState.GOOD)
    made.look()
    made.world.now += timedelta(hours=5)
    made.world.counts = {"c": 5}
    made.world.scrubbed_at = made.world.now
    made.look()
    assert recovery_of(made).step is Step.VERIFY
    made.world.now += timedelta(hours=1)
    made.world.scrubbed_at = made.world.now
    made.look()
    assert recovery_of(made).is_open, "the error is still there"


def test_it_is_said_when_a_check_is_missing_for_three_days_and_not_before() -> None:
    made = opened()
    made.world.now += timedelta(hours=1)
    made.world.set("b", MemberState.GOOD)
    made.look()
    since = made.world.now
    assert not is_unverified_for_long(recovery_of(made), since + VERIFY_WITHIN / 2)
    assert is_unverified_for_long(recovery_of(made), since + VERIFY_WITHIN)


def test_the_time_without_margin_is_the_sum_of_its_spans() -> None:
    made = followed(bears=1)
    world = made.world
    for state, hours in (("failed", 3), ("good", 5), ("failed", 2), ("good", 1)):
        world.set("b", MemberState(state))
        made.look()
        world.now += timedelta(hours=hours)
    assert recovery_of(made).bare_for(world.now) == timedelta(hours=5)


# ------------------------------------------------------------------------------- properties

STATES = st.sampled_from(list(MemberState))
WORKS = st.sampled_from(
    [
        None,
        Work(kind=WorkKind.REBUILD, done_fraction=0.3),
        Work(kind=WorkKind.REBUILD, done_fraction=0.3, state=WorkState.PAUSED),
        Work(kind=WorkKind.RESYNC, done_fraction=0.9),
        Work(kind=WorkKind.SCRUB, done_fraction=0.5),
        Work(kind=WorkKind.CONVERT),
    ]
)
NOTES = st.sampled_from(
    [
        Noted(remark=Remark.DAMAGED_DATA, text="damaged"),
        Noted(remark=Remark.CANNOT_FINISH, text="cannot finish"),
        Noted(remark=Remark.COPIES_DIFFER, text="differ"),
        Noted(remark=Remark.MIXED_PROFILES, text="mixed", at_most=Protection.BARE),
        Noted(remark=Remark.SUSPENDED, text="stopped", at_most=Protection.BROKEN),
        Noted(remark=Remark.READ_ONLY, text="read-only"),
    ]
)
MEMBERS = ("a", "b", "c", "d")
DRIVES = ("d-a", "d-b", "d-c", "d-d", "n1", "n2")


@st.composite
def changes(draw: st.DrawFn) -> list[tuple[str, object]]:
    """A short history of an unlucky pool."""
    one = st.one_of(
        st.tuples(st.just("state"), st.tuples(st.sampled_from(MEMBERS), STATES)),
        st.tuples(st.just("work"), WORKS),
        st.tuples(st.just("notes"), st.lists(NOTES, max_size=2)),
        st.tuples(st.just("toggle"), st.sampled_from(DRIVES)),
        st.tuples(st.just("put"), st.tuples(st.sampled_from(MEMBERS), st.sampled_from(DRIVES))),
        st.tuples(st.just("announce"), st.sampled_from([*DRIVES, ""])),
        st.tuples(st.just("proof"), st.sampled_from(DRIVES)),
        st.tuples(st.just("scrubbed"), st.none()),
        st.tuples(st.just("heal"), st.none()),
        st.tuples(st.just("sight"), st.sampled_from(["seen", "unseen", "unlisted", "stack blind"])),
        st.tuples(st.just("drives"), st.booleans()),
    )
    return draw(st.lists(one, min_size=1, max_size=25))


def apply(world: World, change: tuple[str, object]) -> None:  # noqa: C901 - a line for each kind
    what, value = change
    if what == "state":
        name, state = value  # type: ignore[misc]
        world.set(name, state)
    elif what == "work":
        world.work = value  # type: ignore[assignment]
    elif what == "notes":
        world.notes = list(value)  # type: ignore[call-overload]
    elif what == "toggle":
        drive = str(value)
        world.sizes.setdefault(drive, world.sizes["d-a"])
        world.away ^= {drive}
    elif what == "put":
        name, drive = value  # type: ignore[misc]
        world.sizes.setdefault(drive, world.sizes["d-a"])
        world.put(drive, name, MemberState.REBUILDING)
    elif what == "announce":
        world.announced = {str(value)} if value else set()
    elif what == "proof":
        world.proofs[str(value)] = "its burn-in passed"
    elif what == "scrubbed":
        world.scrubbed_at = world.now
    elif what == "heal":
        for name in MEMBERS:
            world.set(name, MemberState.GOOD)
        world.notes, world.work, world.sight, world.away = [], None, "seen", set()
    elif what == "sight":
        world.sight = str(value)
    else:
        world.lists_drives = bool(value)


@given(history=changes(), bears=st.sampled_from([1, 2]))
@settings(max_examples=400, deadline=None)
def test_no_step_is_left_without_evidence_and_damage_never_closes(
    history: list[tuple[str, object]], bears: int
) -> None:
    made = followed(bears=bears)
    world = made.world
    for change in history:
        apply(world, change)
        world.now += timedelta(minutes=17)
        before = made.recovery
        events = made.look()
        after = made.recovery
        if after is None or before is None or before.opened_at != after.opened_at:
            continue
        seen = world.seen()
        if not seen.is_readable and not (seen.pool is None and seen.stack_answered):
            assert (after, events) == (before, ()), "a survey that cannot see moved something"
            continue
        for stay in after.stays:
            assert stay.entered_on
            assert all(stay.entered_on)
            assert (stay.left_at is None) == (not stay.left_on)
        assert after.bare_for(world.now) >= before.bare_for(before.seen_at)
        if before.is_open and not after.is_open:
            pool = seen.pool
            assert pool is not None
            assert pool.protection is Protection.WHOLE
            damage = {Remark.DAMAGED_DATA, Remark.CANNOT_FINISH, Remark.COPIES_DIFFER}
            called_off = after.outcome.startswith("Called off")
            assert called_off or not damage & {n.remark for n in pool.notes}
            assert called_off or (
                world.scrubbed_at is not None
                and after.whole_since is not None
                and world.scrubbed_at > after.whole_since
            )
        if not before.is_open:
            assert after == before


@given(history=changes(), bears=st.sampled_from([1, 2]))
@settings(max_examples=150, deadline=None)
def test_no_drive_that_the_pool_relies_on_is_tested_put_in_or_pulled(
    history: list[tuple[str, object]], bears: int
) -> None:
    """Each drive holds one place at most, as in a pool that was built with care."""
    made = followed(bears=bears)
    world = made.world
    for change in history:
        apply(world, change)
        world.now += timedelta(minutes=17)
        made.look()
        found, seen = made.recovery, world.seen()
        inside = [drive for _, drive, _ in world.members.values()]
        if found is None or not found.is_open or not seen.is_readable or len(set(inside)) < 4:
            continue
        assert seen.pool is not None
        if seen.pool.protection is Protection.BROKEN:
            continue
        good = seen.drives_in(MemberState.GOOD)
        if found.step in {Step.PROVE, Step.SWAP}:
            assert found.new_drive not in good
        working = [m.drive for m in found.to_replace if m.drive in good]
        assert not working or len(working) == len(found.to_replace)
        if any(m.state in LOST_STATES for m in seen.members):
            assert not working


@given(history=changes())
@settings(max_examples=150, deadline=None)
def test_the_same_history_gives_the_same_recovery(history: list[tuple[str, object]]) -> None:
    ends = []
    for _ in range(2):
        made = followed()
        for change in history:
            apply(made.world, change)
            made.world.now += timedelta(minutes=17)
            made.look()
        ends.append(made.recovery)
    assert ends[0] == ends[1]


@given(history=changes(), hidden=st.sampled_from(["unseen", "stack blind"]))
@settings(max_examples=150, deadline=None)
def test_a_survey_that_sees_less_never_comes_further(
    history: list[tuple[str, object]], hidden: str
) -> None:
    """The last look, once as it is and once blind: the blind one stays where it was."""
    made = followed()
    for change in history:
        apply(made.world, change)
        made.world.now += timedelta(minutes=17)
        made.look()
    before = made.recovery
    if before is None:
        return
    made.world.now += timedelta(minutes=17)
    made.world.sight = hidden
    if made.world.seen().is_readable:
        return  # without margin at least, whatever else cannot be seen: that is a sight
    made.look()
    assert made.recovery == before or not before.is_open
