"""Hidden at the source: no serial number and no name leaves the box."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.hub.stage import look, parcel
from tests.store import made
from watcher.facts.drive import DriveIdentity
from watcher.facts.identity import DriveId
from watcher.hub.masking import Mask
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


@pytest.mark.parametrize(
    "written",
    [
        "drive S4 Q77/9 left",
        "Altair_A8_S4_Q77_9",  # as udev and our ids write it
        "serial S4 Q77/9",
        "wwn-5000c500a0000001",
        "LU WWN 0x5000C500A0000001",  # as it was told
        "naa.5000c500a0000001",
    ],
)
def test_a_serial_and_a_wide_name_are_hidden_in_each_form_in_which_they_are_written(
    written: str,
) -> None:
    drive = DriveIdentity(
        drive=DriveId("Altair_A8_S4_Q77_9"),
        model="Altair A8",
        serial="S4 Q77/9",
        wwn="0x5000C500A0000001",
    )
    (hidden,) = MASK.hide_plain([written], [drive])
    for secret in ("S4 Q77/9", "S4_Q77_9", "5000c500a0000001"):
        assert secret.lower() not in hidden.lower()
    assert Mask(key=MASK.key, serials=False).hide_plain([written], [drive]) == [written]


@pytest.mark.parametrize("serial", ["7", "AB1"])
def test_a_serial_too_short_to_be_looked_for_is_hidden_where_it_stands_alone_and_in_the_id(
    serial: str,
) -> None:
    survey = look(1)
    who = replace(survey.drives[0].identity, serial=serial, wwn=None)
    for name, instead in (
        (f"Altair_A8_{serial}", f"drive_{MASK.word(f'Altair_A8_{serial}')}"),
        (serial, MASK.word(serial)),
    ):
        one = replace(survey.drives[0], identity=replace(who, drive=DriveId(name)))
        note = replace(made.finding(), label=f"bay 3 (Altair A8, 8 TB, serial {serial})")
        sent = parcel(replace(survey, drives=(one, *survey.drives[1:])), besides=(note,))
        seen = MASK.hide(sent)
        hidden = seen.survey.drives[0].identity
        assert hidden.serial == MASK.word(serial)
        assert hidden.drive == instead
        assert seen.besides[0].label == f"bay 3 (Altair A8, 8 TB, serial {MASK.word(serial)})"
        assert MASK.hide(sent) == seen


def test_a_drive_that_a_pool_has_lost_is_hidden_too_by_the_id_alone() -> None:
    survey = look(1)
    pool = survey.pools[0]
    assert pool.tree is not None
    first = pool.tree.parts[0]
    gone = replace(first, drives=(DriveId("Altair_A8_S4_Q77"),))  # type: ignore[arg-type]
    tree = replace(pool.tree, parts=(gone, *pool.tree.parts[1:]))
    sent = parcel(replace(survey, pools=(replace(pool, tree=tree),)))
    assert "Q77" not in str(pack_plain(MASK.hide(sent)))
