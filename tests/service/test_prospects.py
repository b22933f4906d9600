"""From what a survey and history know to what the exposure computes with."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.store.made import NOW, drive_id, pool, reading, survey
from watcher.exposure.choices import Ranking
from watcher.exposure.life import DriveClass
from watcher.exposure.window import WindowPlan
from watcher.facts.drive import (
    DriveIdentity,
    DrivePast,
    DriveUnread,
    Medium,
    Metric,
    Protocol,
    Trace,
    Unread,
)
from watcher.facts.identity import PoolId
from watcher.facts.pool import PoolKind, Protection, RedundancySet, WorkKind
from watcher.facts.pool_past import PoolPast, WorkSample
from watcher.rules.view import View
from watcher.service.prospects import (
    best_choice,
    class_of,
    exposure_if_lost,
    exposure_of,
    life_of,
    lives_of,
    losable,
    message_loss,
    message_window,
    progress_of,
)

HOUR = timedelta(hours=1)


@pytest.mark.parametrize(
    ("protocol", "medium", "kind"),
    [
        (Protocol.NVME, Medium.FLASH, DriveClass.NVME),
        (Protocol.ATA, Medium.FLASH, DriveClass.FLASH),
        (Protocol.SCSI, Medium.ROTATING, DriveClass.HARD_DISK),
        (Protocol.ATA, Medium.UNKNOWN, DriveClass.UNKNOWN),
    ],
)
def test_a_drive_has_the_class_of_what_it_is(
    protocol: Protocol, medium: Medium, kind: DriveClass
) -> None:
    who = DriveIdentity(drive=drive_id(1), model="m", serial="s", protocol=protocol, medium=medium)
    assert class_of(who) is kind


def view(**more: object) -> View:
    return View(survey=survey("s", drives=(reading(1, power_on_hours=900),)), now=NOW, **more)  # type: ignore[arg-type]


def test_a_drive_that_is_gone_is_known_by_its_last_figures() -> None:
    """It does not answer, and is said not to; a stranger has no future that we know."""
    gone = DrivePast(
        identity=reading(2).identity,
        first_seen=NOW - HOUR,
        last_read=NOW - HOUR,
        last_present=NOW - HOUR,
        traces=(Trace(metric=Metric.POWER_ON_HOURS, points=((NOW - HOUR, 4_000),)),),
    )
    seen = view(past={drive_id(2): gone})
    here, lost = life_of(seen, drive_id(1)), life_of(seen, drive_id(2))
    assert here is not None
    assert lost is not None
    assert (here.age_hours, here.answers) == (900, True)
    assert (lost.age_hours, lost.answers) == (4_000, False)
    assert life_of(seen, drive_id(3)) is None


def bare_view() -> View:
    past = PoolPast(
        pool=PoolId("md:media"),
        name="media",
        kind=PoolKind.MD,
        first_seen=NOW - 9 * HOUR,
        last_seen=NOW - HOUR,
        drives=tuple(drive_id(n) for n in range(1, 4)),
        lost=(drive_id(0),),
        not_whole_since=NOW - 2 * HOUR,
        work=(
            WorkSample(at=NOW - HOUR, kind=WorkKind.REBUILD, done_fraction=0.1),
            WorkSample(at=NOW - HOUR, kind=WorkKind.SCRUB, done_fraction=0.9),
            WorkSample(at=NOW - HOUR, kind=WorkKind.REBUILD),
        ),
    )
    drives = tuple(reading(n, power_on_hours=900) for n in range(4))
    bare = pool(lost=1, work=WorkKind.REBUILD, done=0.2)
    return View(
        survey=survey("s", drives=drives, pools=(bare,)), now=NOW, pool_past={past.pool: past}
    )


def test_of_a_filesystem_on_an_encrypted_array_a_lost_drive_is_reckoned_of_the_array() -> None:
    array = replace(pool(lost=0), node="/dev/md0")
    (one, *_) = array.members
    above = replace(
        pool(width=1, bears=0, name="files"),
        tree=RedundancySet(
            name="single",
            bears=0,
            parts=(replace(one, drives=tuple(array.drives), stands_on=("/dev/md0",)),),
        ),
    )
    drives = tuple(reading(n) for n in range(4))
    seen = View(survey=survey("s", drives=drives, pools=(array, above)), now=NOW)
    assert exposure_of(seen, above, WindowPlan(), NOW).name == "media"
    lost = exposure_if_lost(seen, above, drive_id(0), WindowPlan(), NOW)
    assert (lost.name, lost.protection) == ("media", Protection.BARE)
    below = replace(pool(lost=1), node="/dev/md0")
    seen = View(survey=survey("s", drives=drives, pools=(below, above)), now=NOW)
    assert losable(seen, above) == {drive_id(n) for n in range(1, 4)}


def test_the_lost_drives_count_and_progress_is_that_of_the_same_work() -> None:
    seen = bare_view()
    (bare,) = seen.survey.pools
    assert set(lives_of(seen, bare)) == {drive_id(n) for n in range(4)}
    looks = progress_of(bare, seen.pool_past[bare.pool])
    assert [one.done for one in looks] == [0.1, 0.2]
    assert progress_of(pool(), None) == ()


def test_a_message_gets_a_window_in_order_and_a_chance_with_its_range() -> None:
    seen = bare_view()
    (bare,) = seen.survey.pools
    exposure = exposure_of(seen, bare, WindowPlan(), NOW)
    window, loss = message_window(exposure), message_loss(exposure)
    assert window is not None
    assert loss is not None
    assert NOW <= window.earliest <= window.likely <= window.latest
    assert 0 <= loss.low <= loss.likely <= loss.high <= 1
    assert isinstance(best_choice(exposure), str)


def test_of_two_choices_that_are_alike_a_message_names_the_one_that_asks_less() -> None:
    seen = bare_view()
    (bare,) = seen.survey.pools
    exposure = exposure_of(seen, bare, WindowPlan(), NOW)
    best = exposure.ranking.best
    assert best is not None
    for too_close in (True, False):
        ranking = replace(exposure.ranking, too_close=too_close)
        said = best_choice(replace(exposure, ranking=ranking))
        assert said.startswith(f"{best.title}: nothing else is much safer") is too_close
    assert best_choice(replace(exposure, ranking=Ranking(choices=(), reason=""))) == ""


def test_a_scrub_that_we_saw_end_counts_where_the_stack_keeps_no_date() -> None:
    """As with md arrays: else their drives would count as never read since they were built."""
    seen = bare_view()
    (bare,) = seen.survey.pools
    past = replace(seen.pool_past[bare.pool], scrubbed_at=NOW - 30 * HOUR)
    scrubbed = replace(seen, pool_past={bare.pool: past})
    (before, after) = (exposure_of(one, bare, WindowPlan(), NOW) for one in (seen, scrubbed))
    assert any("last read" in note for note in before.notes)
    assert not any("last read" in note for note in after.notes)
    assert before.loss is not None
    assert after.loss is not None
    assert after.loss.any_data.likely < before.loss.any_data.likely


def test_a_drive_that_tells_nothing_of_itself_can_be_lost_and_one_that_is_out_cannot() -> None:
    """Behind a controller, or on a loop device, it is in no list of the survey, and at work."""
    silent = View(survey=survey("s", pools=(pool(), pool(lost=1))), now=NOW)
    whole, thin = silent.survey.pools
    assert losable(silent, whole) == whole.drives
    assert len(losable(silent, thin)) == len(whole.drives) - 1
    gone = DriveUnread(
        node="/dev/sdb", why=Unread.VANISHED, detail="", observed_at=NOW, drive=drive_id(1)
    )
    seen = replace(silent, survey=replace(silent.survey, unread=(gone,)))
    assert losable(seen, whole) == whole.drives - {drive_id(1)}
