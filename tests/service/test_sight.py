"""What a survey really showed, and what that disproves."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from tests.exposure import pools
from tests.store.made import BOX, NOW, drive_id, finding, pool, reading, survey, unread
from watcher.facts.drive import DrivePast, DriveReading, DriveUnread, Unread
from watcher.facts.finding import Finding
from watcher.facts.identity import DriveId, PoolId, about_drive, about_pool, about_source
from watcher.facts.pool import Pool, PoolKind, Protection
from watcher.facts.pool_past import PoolPast
from watcher.facts.survey import READER, RIGHTS, Blindness, Survey
from watcher.service.sight import (
    DISCOVERY,
    disproved,
    given_up,
    labels_of,
    observe,
    places_left,
    pool_seen,
    replaced_drives,
    still_news,
    subjects_seen,
)

MEDIA = PoolId("md:media")


def past_of_pool(*drives: DriveId, lost: tuple[DriveId, ...] = (), in_use: bool = True) -> PoolPast:
    return PoolPast(
        pool=MEDIA,
        name="media",
        kind=PoolKind.MD,
        first_seen=NOW,
        last_seen=NOW,
        drives=drives,
        lost=lost,
        in_use=in_use,
    )


def past_of_drive(number: int, *, in_use: bool = True) -> DrivePast:
    return DrivePast(
        identity=reading(number).identity,
        first_seen=NOW - timedelta(days=1),
        last_read=NOW,
        last_present=NOW,
        in_use=in_use,
    )


def without(whole: Pool, count: int) -> Pool:
    """The same pool with members whose devices are gone and name no drive."""
    assert whole.tree is not None
    parts = tuple(
        replace(part, drives=()) if place < count else part  # type: ignore[type-var]
        for place, part in enumerate(whole.tree.parts)
    )
    return replace(whole, tree=replace(whole.tree, parts=parts))


def test_only_what_answered_was_seen() -> None:
    """A drive that hung, a pool whose state is unknown and a silent source were not."""
    hidden = replace(pool(), pool=PoolId("md:x"), protection=Protection.UNKNOWN, margin=None)
    seen = survey(
        "s", drives=(reading(1),), missing=(unread(2, Unread.HUNG),), pools=(pool(), hidden)
    )
    subjects = subjects_seen(seen)
    assert about_drive(drive_id(1)) in subjects
    assert about_drive(drive_id(2)) not in subjects
    assert about_pool(MEDIA) in subjects
    assert about_pool(PoolId("md:x")) not in subjects
    assert about_source("md") in subjects
    assert about_source("zfs") not in subjects


def test_a_drive_that_is_there_and_hangs_is_not_gone() -> None:
    seen = survey(
        "s", missing=(unread(2, Unread.HUNG), unread(3, Unread.VANISHED)), drives=(reading(1),)
    )
    assert disproved(seen) == {
        f"drive-gone/drive:{drive_id(1)}",
        f"drive-gone/drive:{drive_id(2)}",
    }


def test_what_the_log_alone_tells_of_a_silent_drive_is_over_when_the_log_falls_silent() -> None:
    """A virtual disk never gives a reading: else nothing about it would ever get its all-clear."""
    quiet = DriveUnread(
        node="/dev/vda", why=Unread.NO_SMART, detail="", observed_at=NOW, drive=drive_id(1)
    )
    about = about_drive(drive_id(1))
    log = {f"log-says-{what}/{about}" for what in ("media", "controller", "filesystem", "volume")}
    heard = replace(survey("s"), unread=(quiet,), answered=("drive-discovery", "kernel-log"))
    assert log <= disproved(heard)
    deaf = replace(heard, answered=("drive-discovery",))
    assert not log & disproved(deaf)


def test_a_lost_member_is_named_by_what_the_pool_rested_on_before() -> None:
    """At the first look by the drives of before; later by those it has missed since."""
    now = without(pool(lost=1), 1)
    first = pool_seen(now, past_of_pool(*(drive_id(n) for n in range(4))))
    later = pool_seen(now, past_of_pool(*(drive_id(n) for n in range(1, 4)), lost=(drive_id(0),)))
    assert first.lost == later.lost == 1
    assert first.lost_drives == later.lost_drives == (drive_id(0),)
    assert first.standing_drives == {drive_id(n) for n in range(1, 4)}
    assert (first.margin, first.full_margin) == (0, 1)


def test_a_lost_member_that_two_mirrors_share_is_lost_once() -> None:
    """Else planned work on one drive of such a pool would hush nothing."""
    assert pool_seen(pools.pool(pools.ring(6, 1)), None).lost == 1


def test_drives_are_called_by_bay_and_serial_number() -> None:
    seen = survey("s", drives=(reading(1, bay="3"), reading(2)))
    assert labels_of(seen)[drive_id(1)] == "bay 3 (X0001)"
    assert labels_of(seen)[drive_id(2)].endswith("(X0002)")


def test_a_drive_that_left_a_whole_pool_is_not_missed_any_more() -> None:
    """Replaced and proven; but only when its pool is seen whole, and the drives could be listed."""
    past = {drive_id(9): past_of_drive(9)}
    homes = {MEDIA: past_of_pool(lost=(drive_id(9),))}
    whole = replace(survey("s", pools=(pool(),)), answered=("md", DISCOVERY))
    assert replaced_drives(whole, past, homes) == {drive_id(9)}
    assert replaced_drives(replace(whole, answered=("md",)), past, homes) == frozenset()
    thin = replace(whole, pools=(pool(lost=1),))
    assert replaced_drives(thin, past, homes) == frozenset()
    assert replaced_drives(whole, past, {}) == frozenset(), "it was in no pool"


def test_a_drive_that_was_replaced_and_stayed_in_the_box_may_be_taken_out() -> None:
    """A spare took over and the pool forgot the old drive; its recovery remembers it."""
    past = {drive_id(9): past_of_drive(9)}
    whole = replace(survey("s", pools=(pool(),)), answered=("md", DISCOVERY))
    thin = replace(whole, pools=(pool(lost=1),))
    homes = {MEDIA: past_of_pool()}
    lost_by = {drive_id(9): MEDIA}.get
    assert replaced_drives(whole, past, homes, lost_by) == {drive_id(9)}
    assert replaced_drives(thin, past, homes, lost_by) == frozenset(), "it may be needed yet"
    elsewhere = {PoolId("md:other"): past_of_pool(lost=(drive_id(9),))}
    assert replaced_drives(whole, past, homes | elsewhere, lost_by) == frozenset(), "used again"


def test_what_the_owner_retired_and_is_not_there_is_as_it_should_be() -> None:
    past = {drive_id(1): past_of_drive(1, in_use=False), drive_id(2): past_of_drive(2)}
    pools = {MEDIA: past_of_pool(in_use=False)}
    assert given_up(survey("s"), past, pools) == {about_drive(drive_id(1)), about_pool(MEDIA)}
    back = survey("s", drives=(reading(1),), pools=(pool(),))
    assert given_up(back, past, pools) == frozenset()


def test_of_a_late_survey_only_what_the_newest_could_not_see_is_kept() -> None:
    """The newest listed all drives and saw one pool: what it did not find there is not so."""
    newest = replace(survey("new", pools=(pool(),)), answered=("md", DISCOVERY))
    about_it = replace(finding(1), subject=about_pool(MEDIA))
    elsewhere = replace(finding(1), subject=about_pool(PoolId("zfs:tank")))
    assert still_news((finding(1), about_it, elsewhere), newest) == (elsewhere,)
    blind = replace(newest, answered=("md",))
    assert still_news((finding(1),), blind) == (finding(1),)


def test_the_observation_names_pools_that_are_known_and_hidden() -> None:
    past = {MEDIA: past_of_pool(), PoolId("zfs:old"): replace(past_of_pool(), in_use=False)}
    hidden = observe(survey("s", pools=()), (), past, frozenset())
    assert hidden.hidden == ((MEDIA, past_of_pool().name),)
    assert observe(survey("s", pools=(pool(),)), (), past, frozenset()).hidden == ()


def test_the_observation_holds_it_all() -> None:
    seen = survey("s", drives=(reading(1),), pools=(pool(),))
    told = observe(
        seen,
        (finding(1),),
        {},
        frozenset({drive_id(7)}),
        frozenset({"way ada/mail"}),
        frozenset({about_pool(PoolId("md:old"))}),
    )
    assert {
        about_drive(drive_id(7)),
        about_source("way ada/mail"),
        about_pool(PoolId("md:old")),
    } <= told.seen
    assert told.taken_at == seen.taken_at
    assert told.pools[0].name == "media"
    assert told.findings == (finding(1),)
    assert BOX in {s.key for s in told.seen}


def test_a_reading_clears_what_was_said_of_its_place_while_the_drive_was_unknown() -> None:
    """A place known only by its path is a source; the drive that answers there has been seen."""
    drive = reading(1)
    place = about_source(f"{drive.node} {drive.device_type}")
    assert place in subjects_seen(survey("now", drives=(drive,)))
    assert place not in subjects_seen(survey("now", drives=()))


def full_look(
    drives: tuple[DriveReading, ...] = (), missing: tuple[DriveUnread, ...] = ()
) -> Survey:
    """A look that listed every drive there is."""
    return replace(survey("s", drives=drives, missing=missing), answered=(DISCOVERY,))


def at_place(place: str, rule: str = "cannot-see-drive") -> Finding:
    return replace(finding(1), rule=rule, subject=about_source(place))


def test_a_place_that_a_full_look_finds_empty_is_left() -> None:
    """An unplugged stick: nothing will ever be read there, so nothing else could clear it."""
    stick = at_place("/dev/sdx usb")
    full = full_look(drives=(reading(1),))
    assert places_left(full, (stick,)) == (stick,)
    assert observe(full, (), {}, frozenset(), standing=(stick,)).disproved >= {stick.key}
    assert not places_left(survey("s", drives=(reading(1),)), (stick,))


def test_a_place_where_something_is_listed_is_not_left() -> None:
    """Whether it hangs, answers by another device type, or is one of many behind a controller."""
    hung = replace(unread(2, Unread.HUNG), node="/dev/sdx", device_type="usb", drive=None)
    behind = replace(hung, device_type="megaraid,5")
    stick, other = at_place("/dev/sdx usb"), at_place("/dev/sdx auto")
    told = at_place("/dev/sdx megaraid,4")
    full = full_look(missing=(hung,))
    assert places_left(full, (stick, other)) == ()
    full = full_look(missing=(behind,))
    assert places_left(full, (stick, told)) == (stick, told)
    assert places_left(full, (at_place("/dev/sdx megaraid,5"),)) == ()


def test_only_what_is_said_of_places_can_be_left() -> None:
    """A source that gave no answer, a way to a person and a known drive are no places."""
    full = full_look()
    others = (
        at_place("md", "cannot-see-source"),
        at_place("way ada/phone", "messages-do-not-arrive"),
        replace(finding(1), rule="cannot-see-drive"),
    )
    assert places_left(full, others) == ()


def test_what_lacks_rights_is_said_once_and_over_when_they_are_there() -> None:
    shut = tuple(
        Blindness(source=s, why=Unread.FORBIDDEN, detail="no", remedy="") for s in ("lvm", "zfs")
    )
    blind = replace(survey("s"), blind=shut)
    assert about_source(RIGHTS) not in subjects_seen(blind)
    assert {f"cannot-see-source/{about_source(s)}" for s in ("lvm", "zfs")} <= disproved(blind)
    one = replace(blind, blind=shut[:1])
    assert about_source(RIGHTS) in subjects_seen(one), "that source speaks for itself"
    assert f"cannot-see-source/{about_source('lvm')}" not in disproved(one)
    gone = replace(blind, blind=(replace(shut[0], source=READER, why=Unread.HUNG),))
    assert about_source(RIGHTS) not in subjects_seen(gone), "nothing was asked"
    drive = unread(3, Unread.FORBIDDEN)
    both = replace(one, unread=(drive,))
    assert about_source(RIGHTS) not in subjects_seen(both)
    assert any(key.startswith("cannot-see-drive/drive:") for key in disproved(both))
