"""A box that does not exist answers the readers like a real one."""

from __future__ import annotations

from datetime import timedelta

from watcher.demo.story import BOX, new_box
from watcher.facts.pool import Protection
from watcher.readers.host import Ended
from watcher.readers.survey import Looking, Surveyor


def test_a_look_at_it_is_complete() -> None:
    taken = Surveyor(new_box(), Looking(box=BOX)).take("s", new_box().now)
    assert len(taken.survey.drives) == 8
    assert taken.survey.unread == ()
    assert taken.survey.blind == ()
    assert {pool.protection for pool in taken.survey.pools} == {Protection.WHOLE}


def test_a_pulled_drive_thins_its_pool_and_is_gone() -> None:
    box = new_box()
    box.pull("c")
    survey = Surveyor(box, Looking(box=BOX)).take("s", box.now).survey
    (orchard,) = [pool for pool in survey.pools if pool.name == "orchard"]
    assert (orchard.protection, orchard.margin) == (Protection.THINNED, 1)
    assert len(survey.drives) == 7


def test_a_hung_drive_hangs() -> None:
    box = new_box()
    box.drives["a"].hangs = True
    assert box.run(("smartctl", "-a", "/dev/sda"), limit_seconds=5).ended is Ended.TIMED_OUT


def test_a_program_it_has_not_is_missing() -> None:
    assert new_box().run(("zpool", "status")).ended is Ended.MISSING


def test_time_ages_its_drives() -> None:
    box = new_box()
    before = box.drives["a"].hours
    box.pass_time(timedelta(days=2))
    assert box.drives["a"].hours == before + 48
    for _ in range(6):
        box.pass_time(timedelta(minutes=20))
    assert box.drives["a"].hours == before + 50
