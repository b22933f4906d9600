from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.recovery.views import AT, POOL, pool, reading, view
from tests.recovery.world import SECTORS, Followed, World
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import DriveId, about_drive, about_pool
from watcher.facts.pool import MemberState, Pool
from watcher.facts.pool_past import PoolPast
from watcher.recovery import follow as following
from watcher.recovery.advice import advise
from watcher.recovery.follow import (
    NOT_VERIFIED,
    Around,
    asks_to_put_back,
    lead,
    out_of_service,
    see,
    unverified,
)
from watcher.recovery.record import Detour, DetourKind, Recovery, Step
from watcher.recovery.steps import VERIFY_WITHIN
from watcher.rules.catalogue import judge
from watcher.rules.pool import COPY_FIRST, step_when_gone
from watcher.rules.tuning import UNTUNED
from watcher.rules.view import View

A, B = DriveId("a"), DriveId("b")


def broken_view(at_hours: int = 0, *, state: MemberState = MemberState.FAILED) -> View:
    seen = view(reading(A), reading(B), pools=(pool(states={"b": state}, a=A, b=B),))
    at = AT + timedelta(hours=at_hours)
    survey = replace(
        seen.survey, taken_at=at, pools=tuple(replace(p, observed_at=at) for p in seen.survey.pools)
    )
    return replace(seen, survey=survey, now=at)


def finding(rule: str, subject: object, urgency: Urgency = Urgency.NOW) -> Finding:
    return Finding(
        rule=rule, subject=subject, label="x", urgency=urgency, sentence="It happened.",
        next_step="Do this.", observed_at=AT,
    )  # type: ignore[arg-type]  # fmt: skip


def test_a_pool_that_lost_margin_is_followed_from_then_on() -> None:
    (opened,) = following.follow((), broken_view(), Around())
    assert opened.changed
    assert opened.recovery.opened_at == AT
    assert [event.what for event in opened.events] == ["recovery-opened"]
    (later,) = following.follow((opened.recovery,), broken_view(1), Around())
    assert later.recovery.opened_at == AT
    assert later.recovery.seen_at == AT + timedelta(hours=1)


def test_a_whole_pool_is_not_followed() -> None:
    assert following.follow((), broken_view(state=MemberState.GOOD), Around()) == ()


def test_what_is_over_is_left_alone_and_a_new_loss_opens_anew() -> None:
    (opened,) = following.follow((), broken_view(), Around())
    over = replace(opened.recovery, closed_at=AT, outcome="Over.")
    (again,) = following.follow((over,), broken_view(5), Around())
    assert again.recovery.opened_at == AT + timedelta(hours=5)


def test_the_choice_is_computed_only_where_a_new_drive_could_come() -> None:
    asked: list[Pool] = []

    def ask(of: Pool) -> bool | None:
        asked.append(of)
        return True

    around = Around(prove_first=ask)
    (opened,) = following.follow((), broken_view(), around)
    following.follow((opened.recovery,), broken_view(1), around)
    assert len(asked) == 1
    at_rebuild = replace(
        opened.recovery,
        step=Step.REBUILD,
        stays=(replace(opened.recovery.stays[-1], step=Step.REBUILD),),
    )
    following.follow((at_rebuild,), broken_view(2), around)
    assert len(asked) == 1


def test_a_pool_of_the_past_is_seen_as_missing() -> None:
    past = PoolPast(
        pool=POOL, name="orchard", kind=pool(a=A, b=B).kind, first_seen=AT, last_seen=AT
    )
    assert see(view(past_pool=past), POOL, Around()).pool is None


def test_the_next_step_begins_with_where_the_recovery_is() -> None:
    followed = following.follow((), broken_view(), Around())
    own = finding("margin-gone", about_pool(POOL))
    (led,) = lead((own,), followed)
    assert led.next_step.startswith("Recovery, step 1 of 6, make sure")
    assert led.next_step.endswith("Do this.")
    assert led.key == own.key
    copy = replace(own, next_step=f"{COPY_FIRST} Do this.")
    (led,) = lead((copy,), followed)
    assert led.next_step.startswith(f"{COPY_FIRST} Recovery, step 1 of 6"), "the copy comes first"
    assert led.next_step.endswith(" Do this.")


def test_a_loss_says_once_that_the_cable_comes_first() -> None:
    """On a phone the second time takes the place of which drive to touch."""
    view = broken_view()
    (own,) = (f for f in judge(view, UNTUNED) if f.rule == "margin-gone")
    (led,) = lead((own,), following.follow((), view, Around()))
    assert led.next_step.lower().count("cable") == 1
    assert "make sure: is it really" in led.next_step
    (other,) = lead((replace(own, next_step="Do this."),), following.follow((), view, Around()))
    assert other.next_step.count("cable") == 1


@pytest.mark.parametrize("rule", ["margin-thinned", "margin-gone", "pool-broken", "pool-gone"])
def test_a_drive_that_left_has_the_next_step_of_its_pool(rule: str) -> None:
    """Its cable, its replacement, or the rebuild that runs: one word on one trouble."""
    followed = following.follow((), broken_view(), Around())
    own = finding(rule, about_pool(POOL))
    other = finding("sectors-in-doubt", about_drive(B))
    stranger = finding("drive-gone", about_drive(A))
    led = lead((own, finding("drive-gone", about_drive(B)), other, stranger), followed)
    assert led[0].next_step == led[1].next_step
    assert led[0].next_step.startswith("Recovery, step 1 of 6")
    assert led[2:] == (other, stranger)


def test_of_a_pool_that_is_gone_it_is_said_once_what_not_to_do() -> None:
    (one,) = following.follow((), broken_view(), Around())
    text = "orchard has stopped: write nothing to its drives, and do not create it anew."
    detour = Detour(kind=DetourKind.BEYOND_MARGIN, began_at=AT, text=text)
    gone = replace(one, recovery=replace(one.recovery, detours=(detour,)))
    own = replace(finding("pool-gone", about_pool(POOL)), next_step=step_when_gone("orchard"))
    drive = finding("drive-gone", about_drive(B))
    assert [led.next_step for led in lead((own, drive), (gone,))] == [own.next_step] * 2


def test_a_replacement_that_died_and_left_has_the_next_step_of_its_pool() -> None:
    (one,) = following.follow((), broken_view(), Around())
    died = DriveId("new")
    one = replace(one, recovery=replace(one.recovery, tried=(died,)))
    own = finding("margin-gone", about_pool(POOL))
    led = lead((own, finding("drive-gone", about_drive(died))), (one,))
    assert led[1].next_step == led[0].next_step != "Do this."


def test_what_a_replaced_drive_still_shows_is_a_thing_to_know() -> None:
    """Its pool is whole without it: to replace it is done, and it holds up no all-clear."""
    old = DriveId("old")
    signs = finding("signs-add-up", about_drive(old), Urgency.TODAY)
    whole = pool(a=A, b=B)
    (eased,) = out_of_service((signs,), (whole,), {old: POOL}.get)
    assert eased.urgency is Urgency.NOTE
    assert "has another drive in its place" in eased.sentence
    assert eased.next_step.startswith(
        "Unless you use it for something else by now, take x out once a check of orchard has ended"
    )
    for kept, pools, was_in in (
        (signs, (pool(states={"b": MemberState.MISSING}, a=A, b=B),), {old: POOL}),  # not whole
        (signs, (whole,), {}),  # never in a pool
        (signs, (), {old: POOL}),  # the pool cannot be seen
        (finding("signs-add-up", about_drive(A)), (whole,), {A: POOL}),  # it is in the pool
        (finding("drive-gone", about_drive(old)), (whole,), {old: POOL}),
        (replace(signs, pool=POOL), (whole,), {old: POOL}),
    ):
        assert out_of_service((kept,), pools, was_in.get) == (kept,)


@pytest.mark.parametrize(
    "other",
    [
        finding("scrub-overdue", about_pool(POOL), Urgency.NOTE),
        finding("drive-gone", about_drive(B)),
        finding(NOT_VERIFIED, about_pool(POOL)),
    ],
)
def test_other_findings_keep_their_next_step(other: Finding) -> None:
    assert lead((other,), following.follow((), broken_view(), Around())) == (other,)


def pulled() -> tuple[Recovery, following.Followed]:
    made = Followed(World.of("a", "b", "c", "d", bears=2))
    made.look()
    for name in ("b", "c"):
        made.world.now += timedelta(minutes=10)
        made.world.set(name, MemberState.MISSING)
        made.world.away.add(f"d-{name}")
        made.look()
        made.world.announced = {"d-b"}
    assert made.recovery is not None
    return made.recovery, following.Followed(recovery=made.recovery, seen=made.world.seen())


def test_a_drive_that_was_pulled_is_put_back_first_and_nothing_else_is_said() -> None:
    recovery, one = pulled()
    own = finding("margin-gone", about_pool(recovery.pool))
    gone = finding("drive-gone", about_drive(DriveId("d-c")))
    meant = finding("drive-gone", about_drive(DriveId("d-b")))
    first, second, third = lead((own, gone, meant), (one,))
    assert first.next_step.startswith("d-c left the box, and it was good; d-b was meant. Put it")
    assert asks_to_put_back(first)
    assert second.next_step == third.next_step == first.next_step, "one trouble, one next step"


def test_good_drives_that_were_pulled_are_all_named_and_taken_back_when_they_are_here() -> None:
    """Two at once, and back in their bays but not in step: "put it back" is done by then."""
    made = Followed(World.of("a", "b", "c", "d", "e", bears=2))
    made.look()
    made.world.announced = {"d-b"}
    made.world.now += timedelta(minutes=10)
    made.look()
    both = ("c", "d")
    made.world.now += timedelta(minutes=10)
    for name in both:
        made.world.set(name, MemberState.MISSING)
        made.world.away.add(f"d-{name}")
    made.look()
    assert made.recovery is not None
    own = finding("margin-gone", about_pool(made.recovery.pool))
    gone = tuple(finding("drive-gone", about_drive(DriveId(f"d-{name}"))) for name in both)

    def said() -> list[str]:
        assert made.recovery is not None
        one = following.Followed(recovery=made.recovery, seen=made.world.seen())
        led = lead((own, *gone), (one,))
        assert asks_to_put_back(led[0])
        return [f.next_step for f in led]

    words = "d-c and d-d left the box, and they were good; d-b was meant. Put them back where they "
    assert set(said()) == {f"{words}were, before anything else."}
    made.world.now += timedelta(minutes=10)
    for name in both:
        made.world.away.discard(f"d-{name}")
        made.world.set(name, MemberState.FAILED)
    made.look()
    assert made.recovery is not None
    assert made.recovery.detour(DetourKind.OLD_BACK) is None, "these are to be trusted"
    advice = advise(made.recovery, made.world.seen())
    assert advice.detours[1:] == ("Take it back by the command below, before the swap goes on.",)
    (take,) = set(said())
    assert take.startswith("d-c and d-d are here again and not in step: take them back")


def verified_not() -> following.Followed:
    made = Followed(World.of("a", "b", bears=1))
    made.look()
    for state in (MemberState.FAILED, MemberState.GOOD):
        made.world.now += timedelta(minutes=10)
        made.world.set("b", state)
        made.look()
    assert made.recovery is not None
    return following.Followed(recovery=made.recovery, seen=made.world.seen())


def test_a_pool_that_nobody_checks_is_a_note_first_and_more_after_a_while() -> None:
    one = verified_not()
    since = one.recovery.whole_since
    assert since is not None
    (early,) = unverified((one,), since + VERIFY_WITHIN - timedelta(seconds=1))
    assert (early.urgency, early.level) == (Urgency.NOTE, 1)
    (found,) = unverified((one,), since + VERIFY_WITHIN)
    assert found.rule == NOT_VERIFIED
    assert (found.urgency, found.level) == (Urgency.THIS_WEEK, 2)
    assert found.subject == about_pool(one.recovery.pool)


def test_an_old_drive_is_to_be_kept_only_where_one_was_replaced() -> None:
    """Where a cable was loose the same drive stands again: to wipe “the old one” would be fatal."""
    came_back = verified_not()
    gone = replace(came_back.recovery.lost[0], drive=DriveId("d-old"))
    swapped = replace(came_back, recovery=replace(came_back.recovery, lost=(gone,)))
    for one, said in ((came_back, False), (swapped, True)):
        (found,) = unverified((one,), one.seen.at)
        (*before, last) = one.recovery.stays
        steps = [
            replace(one.recovery, step=step, stays=(*before, replace(last, step=step)))
            for step in (Step.REBUILD, Step.VERIFY, Step.WHOLE)
        ]
        texts = [found.next_step, *(" ".join(advise(r, one.seen).tasks) for r in steps)]
        assert ["old drive" in text for text in texts] == [said] * 4


def test_a_new_drive_of_the_shelf_is_proven_by_what_is_known_of_it() -> None:
    (opened,) = following.follow((), broken_view(), Around())
    new = DriveId("n")
    later = broken_view(1)
    there = replace(
        later, survey=replace(later.survey, drives=(*later.survey.drives, reading(new)))
    )
    around = Around(proven={new: "its burn-in passed on 2026-02-01"})
    (moved,) = following.follow((opened.recovery,), there, around)
    assert moved.recovery.step is Step.SWAP
    assert SECTORS * 512 == 8_001_563_222_016
