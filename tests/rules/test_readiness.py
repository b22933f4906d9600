"""The rules about the shelf and about people, on an invented box."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.rules.build import DAY, T0, TANK, identity, of, pool, view
from watcher.facts.finding import Finding, Urgency
from watcher.facts.pool import Member, MemberState, Role
from watcher.facts.readiness import DrillDone, Preparation, ShelfSpare, Source, SpareFit
from watcher.rules.view import View

LONG_AGO = T0 - 400 * DAY


def spare(number: int = 1, **more: object) -> ShelfSpare:
    facts: dict[str, object] = {
        "number": number,
        "identity": identity("z"),
        "added_at": T0 - 100 * DAY,
    }
    return ShelfSpare(**(facts | more))  # type: ignore[arg-type]


def seen(**ready: object) -> View:
    """Look at a box with one pool, watched for long."""
    facts: dict[str, object] = {"watched_since": LONG_AGO}
    return replace(view(pools=(pool(),)), ready=Preparation(**(facts | ready)))  # type: ignore[arg-type]


def one(rule: str, at: View) -> Finding:
    (found,) = of(rule, at)
    return found


FITS = SpareFit(spare=1, pool=TANK, pool_name="tank", places=3)
EVERY_RULE = (
    "shelf-empty",
    "spare-too-small",
    "spare-not-proven",
    "warranty-ends-soon",
    "drill-overdue",
    "route-unproven",
    "silence-unnoticed",
)


@pytest.mark.parametrize("rule", EVERY_RULE)
def test_what_was_not_asked_is_not_judged(rule: str) -> None:
    assert of(rule, view(pools=(pool(),))) == []


def test_an_empty_shelf_is_a_note_that_names_the_pools() -> None:
    found = one("shelf-empty", seen())
    assert found.urgency is Urgency.NOTE
    assert found.sentence == "No spare drive is ready for tank."


def test_an_empty_shelf_is_not_told_on_the_first_days() -> None:
    assert of("shelf-empty", seen(watched_since=T0 - 6 * DAY)) == []
    assert len(of("shelf-empty", seen(watched_since=T0 - 7 * DAY))) == 1
    assert of("shelf-empty", seen(watched_since=None)) == []


def test_a_spare_that_is_ordered_counts_and_one_that_failed_does_not() -> None:
    assert of("shelf-empty", seen(shelf=(spare(identity=None, ordered=True),))) == []
    assert of("shelf-empty", seen(shelf=(spare(),))) == []
    assert len(of("shelf-empty", seen(shelf=(spare(failed_at=T0),)))) == 1


def test_a_pool_with_a_hot_spare_or_without_redundancy_needs_no_shelf() -> None:
    assert of("shelf-empty", seen(hot_spares=((TANK, 1),))) == []
    stripe = replace(view(pools=(pool(bears=0),)), ready=seen().ready)
    assert of("shelf-empty", stripe) == []


def test_a_spare_that_fits_only_some_members_is_told_with_those_it_cannot_replace() -> None:
    small = replace(FITS, too_small_for=("bay 9",), problems=("It is 1 sector smaller.",))
    found = one("spare-too-small", seen(shelf=(spare(),), fits=(small,)))
    assert "none for bay 9" in found.sentence
    assert found.evidence[0].value == "It is 1 sector smaller."
    both = seen(shelf=(spare(), spare(2)), fits=(small, replace(FITS, spare=2)))
    assert of("spare-too-small", both) == []


def test_a_spare_of_which_it_is_not_known_whether_it_fits_is_not_called_too_small() -> None:
    unsure = replace(FITS, unknown_for=("bay 9",), cautions=("Compare it.",))
    found = one("spare-too-small", seen(shelf=(spare(),), fits=(unsure,)))
    assert "the size of bay 9 is not known" in found.sentence
    assert found.evidence[0].value == "Compare it."


def test_of_several_spares_that_do_not_fit_the_one_that_lacks_least_is_told() -> None:
    two = replace(FITS, too_small_for=("bay 8", "bay 9"))
    one_and_unsure = replace(
        FITS, spare=2, too_small_for=("bay 9",), unknown_for=("bay 7", "bay 8")
    )
    single = replace(FITS, spare=3, too_small_for=("bay 7",))
    at = seen(shelf=(spare(), spare(2), spare(3)), fits=(two, one_and_unsure, single))
    assert one("spare-too-small", at).sentence == (
        "No spare on the shelf fits all of tank: none for bay 7."
    )


def test_a_failed_spare_that_would_fit_does_not_help() -> None:
    small = replace(FITS, spare=2, too_small_for=("bay 9",))
    at = seen(shelf=(spare(failed_at=T0), spare(2)), fits=(FITS, small))
    assert len(of("spare-too-small", at)) == 1


@pytest.mark.parametrize(
    ("more", "words", "urgency"),
    [
        ({}, "was never proven", Urgency.NOTE),
        ({"proven_at": T0 - 730 * DAY}, "was proven too long ago", Urgency.NOTE),
        ({"failed_at": T0 - DAY}, "did not pass its burn-in", Urgency.THIS_WEEK),
        (
            {"proven_at": T0 - 9 * DAY, "failed_at": T0 - DAY},
            "did not pass its burn-in",
            Urgency.THIS_WEEK,
        ),
    ],
)
def test_a_spare_without_a_proof_that_counts_is_told(
    more: dict[str, object], words: str, urgency: Urgency
) -> None:
    found = one("spare-not-proven", seen(shelf=(spare(**more),)))
    assert words in found.sentence
    assert found.urgency is urgency


def test_one_that_failed_among_unproven_ones_hurries_and_is_to_be_returned() -> None:
    at = seen(shelf=(spare(), spare(2, failed_at=T0 - DAY)))
    found = one("spare-not-proven", at)
    assert (found.urgency, found.level) == (Urgency.THIS_WEEK, 3)
    assert found.next_step.startswith("Return the one that failed")
    assert one("spare-not-proven", seen(shelf=(spare(), spare(2)))).level == 2


def test_a_proof_counts_for_two_years_and_not_a_day_longer() -> None:
    assert of("spare-not-proven", seen(shelf=(spare(proven_at=T0 - 729 * DAY),))) == []
    assert of("spare-not-proven", seen(shelf=(spare(ordered=True),))) == []


def test_the_end_of_a_warranty_is_told_while_a_bad_spare_can_still_be_exchanged() -> None:
    def ends(days: int, **more: object) -> View:
        return seen(shelf=(spare(warranty_until=(T0 + days * DAY).date(), **more),))

    assert one("warranty-ends-soon", ends(60)).urgency is Urgency.THIS_WEEK
    assert len(of("warranty-ends-soon", ends(0))) == 1, "it still holds on its last day"
    assert of("warranty-ends-soon", ends(61)) == []
    assert of("warranty-ends-soon", ends(-1)) == []
    assert of("warranty-ends-soon", ends(10, proven_at=T0)) == []


def drill(ago_days: int, *, ended: bool = True) -> DrillDone:
    at = T0 - ago_days * DAY
    return DrillDone(
        number=1,
        pool=TANK,
        pool_name="tank",
        member="bay 3",
        by="Ana",
        begun_at=at,
        ended_at=at + timedelta(hours=1) if ended else None,
    )


def test_a_drill_is_due_after_a_year_and_the_first_after_sixty_days() -> None:
    assert of("drill-overdue", seen(drills=(drill(364),))) == []
    assert "365 days ago" in one("drill-overdue", seen(drills=(drill(365),))).sentence
    both = seen(drills=(drill(900), drill(365), drill(700)))
    assert "365 days ago" in one("drill-overdue", both).sentence, "the latest counts"
    assert "never rehearsed" in one("drill-overdue", seen()).sentence
    assert len(of("drill-overdue", seen(watched_since=T0 - 60 * DAY))) == 1
    assert of("drill-overdue", seen(watched_since=T0 - 59 * DAY)) == []


def test_a_drill_that_was_not_ended_does_not_count() -> None:
    assert "never rehearsed" in one("drill-overdue", seen(drills=(drill(3, ended=False),))).sentence


def test_nothing_is_rehearsed_where_no_pool_has_redundancy() -> None:
    assert of("drill-overdue", replace(seen(), survey=view(pools=(pool(bears=0),)).survey)) == []


def test_a_route_is_proven_by_a_person_who_answered_within_a_year() -> None:
    def answered(days: int) -> View:
        return seen(reached_away=True, answered_at=T0 - days * DAY)

    assert of("route-unproven", answered(364)) == []
    assert "Nobody has answered" in one("route-unproven", answered(365)).sentence
    assert "ever answered" in one("route-unproven", seen(reached_away=True)).sentence
    assert of("route-unproven", seen(reached_away=True, watched_since=T0 - 59 * DAY)) == []
    assert len(of("route-unproven", seen(reached_away=True, watched_since=T0 - 60 * DAY))) == 1
    early = seen(reached_away=True, watched_since=LONG_AGO, answered_at=T0 - 100 * DAY)
    assert of("route-unproven", early) == [], "an answer counts for longer than the first wait"
    found = one("route-unproven", answered(365))
    assert (found.urgency, found.level) == (Urgency.NOTE, 1)
    assert [(e.what, e.value) for e in found.evidence] == [
        ("last answer", f"{T0 - 365 * DAY:%Y-%m-%d} (UTC)")
    ]


def test_a_box_from_which_no_message_leaves_is_told_so() -> None:
    found = one("route-unproven", seen(reached_away=False))
    assert "nobody is reached" in found.sentence
    assert found.level > one("route-unproven", seen(reached_away=True)).level
    assert of("route-unproven", seen(reached_away=False, watched_since=T0)) == []
    assert of("route-unproven", seen(reached_away=None)) == []


def test_a_box_that_nobody_would_miss_is_told_so() -> None:
    assert one("silence-unnoticed", seen(beats=False)).urgency is Urgency.NOTE
    assert of("silence-unnoticed", seen(beats=True)) == []
    assert of("silence-unnoticed", seen(beats=None)) == []
    assert of("silence-unnoticed", seen(beats=False, watched_since=T0)) == []


def test_no_rule_of_readiness_is_ever_more_urgent_than_this_week() -> None:
    at = seen(shelf=(spare(failed_at=T0),), reached_away=False, beats=False)
    found = [f for rule in EVERY_RULE for f in of(rule, at)]
    assert len(found) >= 4
    assert max(f.urgency for f in found) <= Urgency.THIS_WEEK


def test_the_needed_size_is_that_of_the_largest_member() -> None:
    big = Member(name="sdq1", state=MemberState.GOOD, role=Role.PARITY, capacity_bytes=16 * 10**12)
    small = Member(name="sdr1", state=MemberState.GOOD, capacity_bytes=8 * 10**12)
    at = replace(view(pools=(pool(members=(big, small)),)), ready=seen().ready)
    assert "at least 16 TB" in one("shelf-empty", at).next_step


@pytest.mark.parametrize("rule", ["shelf-empty", "drill-overdue"])
def test_of_a_box_that_told_a_hub_nothing_no_shelf_is_empty_and_no_drill_overdue(rule: str) -> None:
    assert len(of(rule, seen())) == 1
    assert len(of(rule, seen(source=Source.TOLD))) == 1
    assert of(rule, seen(source=Source.NOT_TOLD)) == []


def test_a_pool_with_a_spare_inside_needs_none_that_fits_on_the_shelf() -> None:
    small = replace(FITS, too_small_for=("bay 9",))
    at = seen(shelf=(spare(),), fits=(small,), hot_spares=((TANK, 1),))
    assert of("spare-too-small", at) == []
    none = seen(shelf=(spare(),), fits=(small,), hot_spares=((TANK, 0),))
    assert len(of("spare-too-small", none)) == 1
