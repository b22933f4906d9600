"""Hidden at the source: no serial number and no name leaves the box."""

from __future__ import annotations

from dataclasses import replace

from tests.hub.stage import look, parcel
from tests.store import made
from watcher.hub.masking import Mask, serials_of
from watcher.hub.wire import pack as packed
from watcher.hub.wire import pack_plain, unpack

MASK = Mask(key=b"k" * 32, serials=True, names=("press",))


def full() -> object:
    survey = look(
        1, lost=1, events=(replace(made.event(), line="ata3: Altair X0001 reset on press"),)
    )
    return parcel(
        replace(survey, doubts=("Drive X0002 is odd.",), survey="press/1"),
        besides=(made.finding(),),
    )


def test_no_serial_and_no_name_is_left_anywhere() -> None:
    text = str(pack_plain(MASK.hide(full())))  # type: ignore[arg-type]
    for secret in ("X0000", "X0001", "X0002", "X0003", "press"):
        assert secret not in text


def test_the_same_drive_has_the_same_stand_in_each_time_and_everywhere() -> None:
    once, again = MASK.hide(full()), MASK.hide(full())  # type: ignore[arg-type]
    assert once == again
    assert unpack(packed(once)) == once
    ids = {r.identity.drive for r in once.survey.drives}
    members = {d for pool in once.survey.pools for d in pool.drives}
    assert ids <= members
    assert once.survey.events[0].subject is not None
    assert once.survey.events[0].subject.key in ids | members


def test_another_box_has_other_stand_ins() -> None:
    other = Mask(key=b"j" * 32)
    assert other.word("X0001") != MASK.word("X0001")


def test_pools_and_margins_stay_as_they_are() -> None:
    before, after = full().survey.pools[0], MASK.hide(full()).survey.pools[0]  # type: ignore[attr-defined, arg-type]
    assert (after.protection, after.margin, after.layout) == (
        before.protection,
        before.margin,
        before.layout,
    )


def test_serials_are_found_in_all_their_forms() -> None:
    assert {"X0001", "X0002"} <= serials_of(parcel(look(1)))
