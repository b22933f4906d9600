"""What does not sound: the silenced and the announced, and nothing else."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.cases.build import ORCHARD, START, finding, pool_seen
from watcher.cases import hush
from watcher.cases.hush import Sound, hear, is_expected, pool_of
from watcher.cases.state import (
    Book,
    Expectation,
    ExpectKind,
    Maintenance,
    PoolSeen,
    ScopeKind,
    Silence,
    Stands,
)
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import (
    BoxId,
    DriveId,
    PoolId,
    Subject,
    SubjectKind,
    about_drive,
    about_pool,
)
from watcher.facts.pool import Protection
from watcher.rules.catalogue import CATALOGUE

D3, D4 = DriveId("D3"), DriveId("D4")
HOUR = timedelta(hours=1)
GONE = finding("margin-gone", about_pool(ORCHARD), Urgency.NOW, label="orchard")
REPLACE = Expectation(kind=ExpectKind.REPLACE, drive=D3, said="replace bay 3")

OFF = Expectation(kind=ExpectKind.DRIVE_OFF, drive=D4, said="bay 4 off")


def work(*expects: Expectation, pool: PoolId | None = ORCHARD) -> Maintenance:
    return Maintenance(
        number=1,
        by="ada",
        reason="new drive",
        begins=START,
        ends=START + 3 * HOUR,
        expects=expects or (REPLACE,),
        pool=pool,
    )


def silence(scope: ScopeKind, key: str) -> Silence:
    return Silence(
        number=1, scope=scope, key=key, by="ada", reason="known", begins=START, until=START + HOUR
    )


def book(*works: Maintenance, silences: tuple[Silence, ...] = (), pools: object = ()) -> Book:
    seen = (pools,) if isinstance(pools, PoolSeen) else ()
    return Book(box=BoxId("attic"), works=works, silences=silences, pools=seen)


@pytest.mark.parametrize(
    ("scope", "key", "sound"),
    [
        (ScopeKind.BOX, "attic", Sound.SILENCED),
        (ScopeKind.BOX, "cellar", Sound.PLAIN),
        (ScopeKind.CLIENT, "mill", Sound.SILENCED),
        (ScopeKind.CLIENT, "bakery", Sound.PLAIN),
        (ScopeKind.RULE, "sectors-in-doubt", Sound.SILENCED),
        (ScopeKind.RULE, "drive-gone", Sound.PLAIN),
        (ScopeKind.POOL, ORCHARD, Sound.SILENCED),
        (ScopeKind.POOL, "md:other", Sound.PLAIN),
        (ScopeKind.DRIVE, "D3", Sound.SILENCED),
        (ScopeKind.DRIVE, "D4", Sound.PLAIN),
    ],
)
def test_a_silence_covers_what_it_names(scope: ScopeKind, key: str, sound: Sound) -> None:
    quiet = book(silences=(silence(scope, key),))
    assert hear(finding(), quiet, START, "mill").sound is sound
    assert hear(finding(), quiet, START + HOUR, "mill").sound is Sound.PLAIN, "it has ended"


def test_a_silence_for_no_client_covers_nothing() -> None:
    """A box without a client is not everybody's."""
    quiet = book(silences=(silence(ScopeKind.CLIENT, "x"),))
    assert hear(finding(), quiet, START, "").sound is Sound.PLAIN


def test_a_drive_silence_does_not_cover_its_pool() -> None:
    quiet = book(silences=(silence(ScopeKind.DRIVE, "D3"),))
    assert hear(GONE, quiet, START).sound is Sound.PLAIN


@pytest.mark.parametrize("rule", ["pool-broken", "pool-gone"])
def test_data_out_of_reach_breaks_a_silence(rule: str) -> None:
    broken = finding(rule, about_pool(ORCHARD), Urgency.NOW)
    heard = hear(broken, book(silences=(silence(ScopeKind.POOL, ORCHARD),)), START)
    assert heard.sound is Sound.BREAKS_SILENCE
    today = replace(broken, urgency=Urgency.TODAY)  # damaged files, and every drive stands
    quiet = hear(today, book(silences=(silence(ScopeKind.POOL, ORCHARD),)), START)
    assert quiet.sound is Sound.SILENCED
    assert heard.about == "silenced by ada: known"


BARE = pool_seen(Protection.BARE, ("D3",))


@pytest.mark.parametrize(
    ("expects", "found", "seen", "expected"),
    [
        ((REPLACE,), finding("drive-gone"), BARE, True),
        ((REPLACE,), finding("drive-gone", about_drive(D4)), BARE, False),
        ((REPLACE,), finding("sectors-unreadable"), BARE, True),
        ((REPLACE,), GONE, BARE, True),
        ((REPLACE,), GONE, pool_seen(Protection.BARE, ("D4",)), False),
        ((REPLACE,), GONE, pool_seen(Protection.BARE, ("D3", "D4")), False),
        ((REPLACE,), GONE, pool_seen(Protection.BARE, (), count=1), True),
        ((REPLACE,), GONE, pool_seen(Protection.BROKEN, ("D3",)), False),
        ((REPLACE,), GONE, None, False),
        ((REPLACE,), finding("pool-broken", about_pool(ORCHARD)), BARE, False),
        ((REPLACE,), finding("rebuild-running", about_pool(ORCHARD)), BARE, True),
        ((REPLACE,), finding("rebuild-stalled", about_pool(ORCHARD)), BARE, False),
        ((REPLACE,), finding("drive-gone", pool=PoolId("md:other")), BARE, False),
        ((Expectation(kind=ExpectKind.DRIVE_OFF, drive=D3),), finding("drive-gone"), BARE, True),
        ((Expectation(kind=ExpectKind.DRIVE_OFF, drive=D3),), finding(), BARE, False),
        (
            (Expectation(kind=ExpectKind.DRIVE_OFF, drive=D3),),
            finding("log-says-filesystem"),
            BARE,
            True,
        ),
        ((REPLACE, OFF), finding("drive-gone", about_drive(D4)), BARE, True),
        ((REPLACE, OFF), finding("sectors-unreadable", about_drive(D4)), BARE, False),
        ((Expectation(kind=ExpectKind.DEGRADED),), GONE, BARE, True),
        (
            (Expectation(kind=ExpectKind.DEGRADED),),
            GONE,
            pool_seen(Protection.BARE, ("D3", "D4")),
            False,
        ),
        ((Expectation(kind=ExpectKind.DEGRADED),), finding("drive-gone"), BARE, False),
        (
            (Expectation(kind=ExpectKind.REBUILD),),
            finding("rebuild-running", about_pool(ORCHARD)),
            BARE,
            True,
        ),
        ((Expectation(kind=ExpectKind.REBUILD),), GONE, BARE, False),
    ],
)
def test_only_what_was_announced_is_expected(
    expects: tuple[Expectation, ...], found: Finding, seen: PoolSeen | None, *, expected: bool
) -> None:
    now = book(work(*expects), pools=seen)
    assert is_expected(now.works[0], found, now) is expected
    sound = hear(found, now, START).sound
    assert (sound is Sound.EXPECTED) is expected


def test_a_lost_member_without_a_name_is_not_the_announced_one_while_that_one_stands() -> None:
    """The announced drive still holds its share: what is missing is another."""
    stands = (Stands(drive=D3, label="bay 3"),)
    seen = replace(pool_seen(Protection.BARE, (), count=1), stands=stands)
    assert not is_expected(work(), GONE, book(work(), pools=seen))


AWAY = (
    "drive-gone",
    "drive-comes-and-goes",
    "cannot-see-drive",
    "wire-or-backplane",
    "log-says-controller",
    "log-says-filesystem",
    "log-says-volume",
    "member-errs-inside-pool",
)


def test_what_a_drive_that_is_taken_out_causes_is_quiet_and_nothing_else_of_it() -> None:
    """And no rule is meant that does not exist: it would be quiet for nothing that happens."""
    now = book(work(OFF))
    quiet = {
        rule
        for rule in CATALOGUE
        if hear(finding(rule, about_drive(D4)), now, START).sound is Sound.EXPECTED
    }
    assert quiet == set(AWAY)
    named = {v for v in vars(hush).values() if isinstance(v, frozenset)}
    assert set().union(*named) <= CATALOGUE.keys()


BARN = PoolId("md:barn")


@pytest.mark.parametrize("rule", ["margin-gone", "member-put-out", "redundancy-not-restored"])
def test_work_for_which_no_pool_was_named_covers_the_pools_of_its_drives_only(rule: str) -> None:
    """A drive of orchard is replaced; what barn lost cannot be named, and is not that drive."""
    stands = (Stands(drive=D3, label="bay 3"),)
    orchard = pool_seen(Protection.BARE, count=1)
    barn = replace(orchard, pool=BARN, name="barn", stands=(Stands(drive=D4, label="bay 4"),))
    shares_it = replace(orchard, pool=BARN, name="barn")
    before = replace(work(pool=None), begun=(replace(orchard, stands=stands), barn))
    both = replace(before, begun=tuple(replace(p, stands=stands) for p in before.begun or ()))
    here = finding(rule, about_pool(ORCHARD), Urgency.NOW)
    there = finding(rule, about_pool(BARN), Urgency.NOW, pool=BARN)
    for job, pools, sounds in (
        (before, (orchard, barn), (Sound.EXPECTED, Sound.UNEXPECTED)),
        (both, (orchard, shares_it), (Sound.EXPECTED, Sound.EXPECTED)),  # partitions in both
    ):
        now = Book(box=BoxId("attic"), works=(job,), pools=pools)
        assert (hear(here, now, START).sound, hear(there, now, START).sound) == sounds


def test_a_box_that_was_to_be_off_may_be_silent() -> None:
    off = work(Expectation(kind=ExpectKind.BOX_OFF), pool=None)
    silent = finding("box-silent", Subject(kind=SubjectKind.BOX, key="attic"), pool=None)
    assert hear(silent, book(off), START).sound is Sound.EXPECTED
    assert hear(finding(), book(off), START).sound is Sound.UNEXPECTED


def test_the_wrong_drive_is_named_beside_the_announced_one() -> None:
    heard = hear(finding("drive-gone", about_drive(D4), label="bay 4"), book(work()), START)
    assert heard.sound is Sound.UNEXPECTED
    assert heard.about == "bay 4 left; announced was: replace bay 3"


def test_a_thing_for_this_week_that_was_not_announced_sounds_as_such() -> None:
    """Only what is for nobody to act on stays as it is."""
    week = finding(subject=about_drive(D4), urgency=Urgency.THIS_WEEK)
    assert hear(week, book(work()), START).sound is Sound.UNEXPECTED


def test_work_says_nothing_outside_its_time_or_about_a_note() -> None:
    """Before and after, and for what wakes nobody, everything is as without it."""
    for moment in (START - HOUR, START + 3 * HOUR):
        assert hear(finding("drive-gone"), book(work()), moment).sound is Sound.PLAIN
    note = finding("scrub-overdue", about_pool(ORCHARD), Urgency.NOTE)
    assert hear(note, book(work()), START).sound is Sound.PLAIN


def test_a_finding_belongs_to_the_pool_it_is_about_or_endangers() -> None:
    assert pool_of(GONE) == ORCHARD
    assert pool_of(finding()) == ORCHARD
    assert pool_of(finding(pool=None)) is None
