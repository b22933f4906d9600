"""The rules about copies, against 3-2-1 (US-CERT 2012: 3 copies, 2 media, 1 off-site)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.rules.build import DAY, T0, of, view
from watcher.facts.finding import Finding, Urgency
from watcher.facts.readiness import (
    CopySeen,
    HowKnown,
    Irreplaceable,
    Preparation,
    RestoreTried,
    Source,
)
from watcher.rules.view import View


def copy(name: str = "nas", ago_days: float | None = 1, **more: object) -> CopySeen:
    facts: dict[str, object] = {
        "name": name,
        "how": HowKnown.MARKER,
        "fresh_for": 2 * DAY,
        "copied_at": None if ago_days is None else T0 - ago_days * DAY,
    }
    return CopySeen(**(facts | more))  # type: ignore[arg-type]


def thing(*copies: CopySeen, name: str = "photos", size: int | None = 10**12) -> Irreplaceable:
    return Irreplaceable(name=name, paths=("/mnt/tank/photos",), bytes=size, copies=copies)


def seen(*things: Irreplaceable, restores: tuple[RestoreTried, ...] = ()) -> View:
    return replace(view(), ready=Preparation(things=things, restores=restores))


def one(rule: str, at: View) -> Finding:
    (found,) = of(rule, at)
    return found


GOOD = (copy(medium="disk"), copy("vault", off_site=True, medium="tape"))
EVERY_RULE = (
    "copy-missing",
    "copy-stale",
    "copy-unseen",
    "too-few-copies",
    "no-copy-off-site",
    "restore-never-tried",
)


def test_three_copies_on_two_media_with_one_off_site_and_a_restore_satisfy_every_rule() -> None:
    tried = RestoreTried(thing="photos", copy="nas", at=T0 - 100 * DAY, by="Ana")
    at = seen(thing(*GOOD), restores=(tried,))
    assert [f for rule in EVERY_RULE for f in of(rule, at)] == []


@pytest.mark.parametrize("rule", EVERY_RULE)
def test_nothing_declared_is_nothing_judged(rule: str) -> None:
    assert of(rule, view()) == []
    assert of(rule, seen()) == []
    assert of(rule, replace(view(), ready=Preparation(things=None))) == []


def test_no_copy_at_all_is_for_this_week_and_tells_how_much_is_alone() -> None:
    found = one("copy-missing", seen(thing(copy(ago_days=None))))
    assert found.urgency is Urgency.THIS_WEEK
    assert found.evidence[0].value == "1 TB"
    assert len(of("copy-missing", seen(thing()))) == 1


def test_the_size_of_what_has_no_copy_is_not_known_when_one_part_is_not() -> None:
    at = seen(thing(size=None), thing(name="letters"))
    assert one("copy-missing", at).evidence[0].value == "size unknown"


def test_a_copy_is_fresh_for_the_owners_days_and_stale_after() -> None:
    assert of("copy-stale", seen(thing(copy(ago_days=2)))) == []
    found = one("copy-stale", seen(thing(copy(ago_days=2.01))))
    assert found.urgency is Urgency.THIS_WEEK


def test_a_stale_copy_beside_a_fresh_one_is_a_note() -> None:
    assert one("copy-stale", seen(thing(copy(), copy("b", 9)))).urgency is Urgency.NOTE
    assert one("copy-stale", seen(thing(copy(), copy("b", None)))).urgency is Urgency.NOTE


def test_a_copy_that_cannot_be_seen_is_never_fresh_and_never_missing() -> None:
    hidden = copy(could_look=False)
    at = seen(thing(hidden))
    assert one("copy-unseen", at).urgency is Urgency.THIS_WEEK
    assert of("copy-missing", at) == []
    assert of("copy-stale", at) == []
    assert one("copy-unseen", seen(thing(hidden, copy("b")))).urgency is Urgency.NOTE


def test_one_copy_or_one_kind_of_medium_is_fewer_than_3_2_1_asks_for() -> None:
    assert len(of("too-few-copies", seen(thing(copy())))) == 1
    same = seen(thing(copy(medium="disk"), copy("b", medium="disk")))
    assert "all on disk" in one("too-few-copies", same).evidence[0].value
    unsaid = seen(thing(copy(medium="disk"), copy("b")))
    assert of("too-few-copies", unsaid) == []


def test_a_copy_that_was_never_made_is_not_off_site() -> None:
    assert len(of("no-copy-off-site", seen(thing(copy())))) == 1
    assert len(of("no-copy-off-site", seen(thing(copy(ago_days=None, off_site=True))))) == 1
    assert of("no-copy-off-site", seen(thing(copy(off_site=True, ago_days=99)))) == []


@pytest.mark.parametrize(
    ("days", "worked", "urgency"),
    [(364, True, None), (365, True, Urgency.NOTE), (1, False, Urgency.THIS_WEEK)],
)
def test_a_restore_counts_for_a_year_if_it_worked(
    days: int, worked: bool, urgency: Urgency | None
) -> None:
    tried = RestoreTried(thing="photos", copy="nas", at=T0 - days * DAY, by="Ana", worked=worked)
    found = of("restore-never-tried", seen(thing(*GOOD), restores=(tried,)))
    assert [f.urgency for f in found] == ([] if urgency is None else [urgency])


def test_a_later_restore_that_worked_outweighs_an_earlier_that_did_not() -> None:
    bad = RestoreTried(thing="photos", copy="nas", at=T0 - 9 * DAY, by="Ana", worked=False)
    good = replace(bad, at=T0 - 8 * DAY, worked=True)
    assert of("restore-never-tried", seen(thing(*GOOD), restores=(good, bad))) == []
    other = replace(good, thing="letters")
    assert len(of("restore-never-tried", seen(thing(*GOOD), restores=(other,)))) == 1


def told(finding: Finding) -> list[tuple[str, str]]:
    return [(e.what, e.value) for e in finding.evidence]


def test_each_copy_is_told_with_its_state_and_its_age_and_what_was_seen() -> None:
    old = copy("old", 9, detail="The newest file is a log.")
    hidden = copy("vault", could_look=False, detail="Not mounted.")
    at = seen(thing(copy("new"), old, copy("none", None), hidden))
    assert told(one("copy-stale", at)) == [
        ("photos, old", "stale, made 9 days ago. The newest file is a log."),
        ("photos, none", "never made"),
    ]
    assert told(one("copy-unseen", at)) == [
        ("photos, vault", "could not be looked at. Not mounted.")
    ]
    assert told(one("copy-missing", seen(thing(copy("none", None))))) == [
        ("without a copy", "1 TB"),
        ("photos, none", "never made"),
    ]


def test_beside_a_copy_that_cannot_be_seen_a_stale_one_is_not_told_as_none_being_fresh() -> None:
    found = one("copy-stale", seen(thing(copy("old", 9), copy("vault", could_look=False))))
    assert found.sentence == "No copy of photos is known to be fresh."


def test_two_things_without_a_copy_are_told_with_what_they_hold_together() -> None:
    at = seen(thing(), thing(name="letters", size=5 * 10**11))
    assert told(one("copy-missing", at))[0] == ("without a copy", "1.5 TB")
    assert one("copy-missing", at).level == 2


def test_only_3_2_1_is_enough_and_what_lacks_is_counted() -> None:
    def few(*copies: CopySeen) -> list[tuple[str, str]]:
        return [row for found in of("too-few-copies", seen(thing(*copies))) for row in told(found)]

    assert few(copy(medium="disk")) == [("photos", "1 copy beside the original")]
    hidden = copy("vault", could_look=False, medium="tape")
    assert few(copy(medium="disk"), hidden) == []
    both = (copy(medium="disk"), copy("b", medium="disk"))
    assert few(*both) == [("photos", "2 copies beside the original, all on disk")]
    assert few(*both, copy("c", medium="tape")) == []
    assert few(copy(ago_days=None)) == []  # copy-missing says so
    assert one("too-few-copies", seen(thing(copy()))).urgency is Urgency.NOTE
    assert one("no-copy-off-site", seen(thing(copy()))).urgency is Urgency.NOTE


def test_what_came_of_the_last_restore_is_told_of_each_thing() -> None:
    bad = RestoreTried(thing="photos", copy="nas", at=T0 - 9 * DAY, by="Ana", worked=False)
    old = RestoreTried(thing="letters", copy="vault", at=T0 - 500 * DAY, by="Ana")
    at = seen(
        thing(*GOOD), thing(*GOOD, name="letters"), thing(*GOOD, name="maps"), restores=(bad, old)
    )
    found = one("restore-never-tried", at)
    assert found.sentence == "The last restore that was tried did not work."
    assert found.level == 4
    assert told(found) == [
        ("photos", f"did not work on {bad.at:%Y-%m-%d} (UTC), from nas"),
        ("letters", f"worked on {old.at:%Y-%m-%d} (UTC), from vault"),
        ("maps", "never tried"),
    ]
    never = one("restore-never-tried", seen(thing(*GOOD)))
    assert never.sentence == "Nobody has tried to get photos back from a copy within a year."


def test_of_a_box_that_told_a_hub_of_no_restore_none_is_missed() -> None:
    for source, missed in ((Source.HERE, 1), (Source.TOLD, 1), (Source.NOT_TOLD, 0)):
        ready = Preparation(things=(thing(*GOOD),), source=source)
        assert len(of("restore-never-tried", replace(view(), ready=ready))) == missed
