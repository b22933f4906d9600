"""Time-zero tables of the rules about what we cannot see."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.rules.build import (
    DAY,
    T0,
    all_rules,
    drive,
    member,
    note,
    of,
    past,
    pool,
    pool_past,
    reading,
    unread,
    urgency,
    view,
)
from watcher.facts.drive import SAME_NAME, SWITCHED_OFF, WARNING_OFF, Unread
from watcher.facts.finding import Urgency
from watcher.facts.identity import PoolId, about_drive, about_source
from watcher.facts.pool import MemberState, PoolKind, Remark
from watcher.facts.survey import RIGHTS, Blindness


@pytest.mark.parametrize(
    ("why", "expected"),
    [
        (Unread.FORBIDDEN, "this-week"),
        (Unread.HUNG, "today"),
        (Unread.GARBLED, "this-week"),
        (Unread.TOOL_MISSING, "this-week"),
        (Unread.VANISHED, "this-week"),  # never seen before: not gone, but not seen
        (Unread.ASLEEP, None),
        (Unread.NO_SMART, None),
        (Unread.NOT_YET, "note"),
    ],
)
def test_each_reason_for_no_reading_has_its_urgency(why: Unread, expected: str | None) -> None:
    """All of Unread."""
    assert urgency("cannot-see-drive", view(unread=(unread("b", why),))) == expected


def test_every_reason_is_answered_by_some_rule_or_by_sleep() -> None:
    """Cannot see is never fine."""
    for why in Unread:
        rules = all_rules(view(unread=(unread("b", why),)))
        assert bool(rules) is (why is not Unread.ASLEEP), why


def test_a_drive_that_hangs_in_a_bare_pool_is_for_now() -> None:
    """A hang is often the drive."""
    seen = view(pools=(pool("abc", lost="a"),), unread=(unread("b", Unread.HUNG),))
    assert urgency("cannot-see-drive", seen) == "now"


def test_a_drive_without_identity_is_named_by_where_it_is() -> None:
    """Its subject is a source, since it is not known which drive it is."""
    (finding,) = of("cannot-see-drive", view(unread=(unread(None, Unread.GARBLED),)))
    assert str(finding.subject) == "source:/dev/sdz"
    assert finding.label == "the drive at /dev/sdz"


def test_a_known_drive_that_vanished_is_left_to_drive_gone() -> None:
    """Told once."""
    seen = view(pasts=(past("b"),), unread=(unread("b", Unread.VANISHED),))
    assert all_rules(seen) == {"drive-gone"}


def test_a_drive_without_smart_is_a_note() -> None:
    """A virtual disk, a bridge, a stick."""
    seen = view(unread=(unread("b", Unread.NO_SMART),))
    assert all_rules(seen) == {"drive-never-answers-smart"}
    assert urgency("drive-never-answers-smart", seen) == "note"
    never = view(unread=(unread("b", Unread.NO_SMART),), pasts=(past("b", last_read=None),))
    assert urgency("drive-never-answers-smart", never) == "note"


def test_a_drive_that_told_how_it_is_before_and_does_not_any_more_is_no_note() -> None:
    """A bridge that never passed it on is usual; a drive that falls silent is not."""
    seen = view(unread=(unread("b", Unread.NO_SMART),), pasts=(past("b"),))
    (finding,) = of("drive-never-answers-smart", seen)
    assert finding.urgency.value == "this-week"
    assert "any more" in finding.sentence


def test_smart_that_is_only_switched_off_is_to_be_switched_on() -> None:
    """The drive could tell; the reader names the command."""
    told = replace(unread("b", Unread.NO_SMART), detail=f"{SWITCHED_OFF} in /dev/sdb: so and so.")
    (finding,) = of("drive-never-answers-smart", view(unread=(told,)))
    assert finding.urgency.value == "this-week"
    assert finding.next_step == told.detail
    assert "told not to" in finding.sentence


@pytest.mark.parametrize(("days", "expected"), [(13, None), (14, "note")])
def test_a_drive_that_always_sleeps_is_noted(days: int, expected: str | None) -> None:
    """Two weeks, our choice."""
    seen = view(pasts=(past("b", last_read=T0 - days * DAY),), unread=(unread("b", Unread.ASLEEP),))
    assert urgency("asleep-too-long", seen) == expected
    never = view(
        pasts=(past("b", last_read=None, first_seen=T0 - days * DAY),),
        unread=(unread("b", Unread.ASLEEP),),
    )
    assert urgency("asleep-too-long", never) == expected


def test_an_odd_answer_is_noted_in_the_readers_words() -> None:
    """One line of evidence for each doubt."""
    (finding,) = of("answer-doubtful", view(reading("a", doubts=("one", "two"))))
    assert [e.value for e in finding.evidence] == ["one", "two"]
    assert of("answer-doubtful", view(reading("a"))) == []


def test_a_serial_number_that_is_not_its_own_alone_is_told_before_one_is_pulled() -> None:
    (finding,) = of("answer-doubtful", view(reading("a", doubts=(SAME_NAME,))))
    assert "same serial number" in finding.sentence
    assert "before one is pulled" in finding.next_step


def test_a_warning_that_is_switched_off_says_how_to_switch_it_on() -> None:
    """smartctl(8), option -s: "on|off - Enables or disables SMART on device"."""
    (finding,) = of("answer-doubtful", view(reading("a", doubts=("other", WARNING_OFF))))
    assert "would not say that it is failing" in finding.sentence
    assert "smartctl -s on" in finding.next_step
    assert [e.value for e in finding.evidence] == ["other", WARNING_OFF]


def test_a_place_is_named_with_its_bay_and_its_way_of_being_asked() -> None:
    """Behind a controller the node alone names several drives."""
    behind = replace(unread(None, Unread.HUNG), device_type="megaraid,4", bay="4")
    (finding,) = of("cannot-see-drive", view(unread=(behind,)))
    assert finding.label == "the drive at bay 4 (/dev/sdz megaraid,4)"


def test_how_old_the_last_reading_is_goes_with_it() -> None:
    """Not known, with the age of what was known."""
    seen = view(pasts=(past("b"),), unread=(unread("b", Unread.GARBLED),))
    (finding,) = of("cannot-see-drive", seen)
    assert ("last reading", "1 h ago") in [(e.what, e.value) for e in finding.evidence]


def blind(source: str, *, subject: object = None) -> Blindness:
    """Make a blind spot."""
    return Blindness(
        source=source,
        why=Unread.HUNG,
        detail="no answer",
        remedy="look",
        subject=subject,  # type: ignore[arg-type]
    )


@pytest.mark.parametrize(
    ("source", "pasts", "expected"),
    [
        ("kernel-log", (), "this-week"),
        ("drive-discovery", (), "today"),
        ("md", (), "this-week"),
        ("md", (pool_past(),), "today"),  # it hides a pool that we know
        ("zfs", (pool_past(),), "this-week"),
        ("md", (pool_past(in_use=False),), "this-week"),
    ],
)
def test_a_blind_source_weighs_by_what_it_hides(
    source: str, pasts: tuple[object, ...], expected: str
) -> None:
    """A loss behind it would go unseen."""
    seen = view(blind=(blind(source),), pool_pasts=pasts, answered=())  # type: ignore[arg-type]
    assert urgency("cannot-see-source", seen) == expected


@pytest.mark.parametrize(
    ("source", "named"),
    [
        ("block-devices", "the list of disks"),
        ("btrfs", "the btrfs pools"),
        ("copies", "the copies"),
        ("declared", "the pools declared in the settings"),
        ("drive-discovery", "the search for drives"),
        ("file-parity", "the file-level parity"),
        ("kernel-log", "the kernel log"),
        ("lvm", "the LVM volumes"),
        ("md", "the md arrays"),
        ("zfs", "the ZFS pools"),
        ("smart-pages", "the source smart pages"),
    ],
)
def test_a_source_that_does_not_answer_is_named_and_its_remedy_said(
    source: str, named: str
) -> None:
    (finding,) = of("cannot-see-source", view(blind=(blind(source),)))
    assert finding.label == named
    assert finding.sentence == f"We cannot look at {named}: what that would tell is not known."
    assert finding.next_step == "Look."
    assert [(e.what, e.value) for e in finding.evidence] == [(f"{source} (hung)", "no answer")]
    assert finding.level == 1
    (finding,) = of("cannot-see-source", view(blind=(replace(blind(source), remedy=""),)))
    assert finding.next_step == "Find out why it does not answer; run its program by hand."


def test_each_pool_that_a_source_hides_makes_it_worse_and_a_pool_that_is_seen_is_not_hidden() -> (
    None
):
    other = pool_past(pool=PoolId("md:barn"), name="barn")
    for pasts, names in (((pool_past(),), "tank"), ((pool_past(), other), "barn, tank")):
        (finding,) = of("cannot-see-source", view(blind=(blind("md"),), pool_pasts=pasts))
        assert finding.sentence.endswith(f"It hides: {names}.")
        assert finding.level == 1 + len(pasts)
        assert finding.pool == min(past.pool for past in pasts)
    seen = view(blind=(blind("md"),), pool_pasts=(pool_past(),), pools=(pool(),))
    assert urgency("cannot-see-source", seen) == "this-week"


def test_blind_spots_about_two_drives_are_told_of_each() -> None:
    spots = tuple(blind("smart-pages", subject=about_drive(drive(x))) for x in "ab")
    found = of("cannot-see-source", view(reading("a"), reading("b"), blind=spots))
    assert [f.drives for f in found] == [(drive("a"),), (drive("b"),)]


def test_a_drive_that_was_never_read_is_told_with_its_place_and_the_reason() -> None:
    quiet = replace(unread("b", Unread.GARBLED), detail="")
    (finding,) = of("cannot-see-drive", view(unread=(quiet,)))
    assert [(e.what, e.value) for e in finding.evidence] == [("at /dev/sdb", "garbled")]
    quiet = replace(unread("b", Unread.NO_SMART), detail="")
    (finding,) = of("drive-never-answers-smart", view(unread=(quiet,)))
    assert [(e.what, e.value) for e in finding.evidence] == [("at /dev/sdb", "no SMART")]


def test_a_drive_that_sleeps_and_was_never_known_is_not_said_to_have_slept_long() -> None:
    assert of("asleep-too-long", view(unread=(unread("b", Unread.ASLEEP),))) == []
    assert of("asleep-too-long", view(unread=(unread(None, Unread.ASLEEP),))) == []
    awake = view(pasts=(past("b", last_read=T0 - 99 * DAY),), unread=(unread("b", Unread.HUNG),))
    assert of("asleep-too-long", awake) == []


def test_a_blind_spot_about_a_drive_is_told_of_that_drive() -> None:
    """The subject goes with it."""
    seen = view(reading("a"), blind=(blind("smart-pages", subject=about_drive(drive("a"))),))
    (finding,) = of("cannot-see-source", seen)
    assert finding.drives == (drive("a"),)
    assert finding.label == "Altair A8, 8 TB, serial XA1 (sda)"


def test_what_hides_in_one_source_is_told_once_with_all_its_reasons() -> None:
    """Two unread parts of one source are one thing to mend."""
    seen = view(blind=(blind("btrfs"), replace(blind("btrfs"), detail="another")))
    (finding,) = of("cannot-see-source", seen)
    assert finding.label == "the btrfs pools"
    assert len({one.value for one in finding.evidence}) == 2
    assert finding.next_step.endswith(".")


def test_a_reader_that_is_gone_is_told_once_and_not_once_for_each_source() -> None:
    """Every source is a blind spot, all for one reason; the pools that it hides are named."""
    spots = tuple(blind(source) for source in ("reader", "md", "drive-discovery", "kernel-log"))
    seen = view(blind=spots, pool_pasts=(pool_past(),), answered=())
    (finding,) = of("cannot-see-source", seen)
    assert str(finding.subject) == "source:reader"
    assert finding.urgency.value == "today"
    assert finding.pool is None, "its case is about the reader, not about one of the pools"
    assert finding.label == "the half of the watch that looks"
    assert finding.sentence == (
        "It does not answer: no drive, no pool and no kernel log is seen. It hides: tank."
    )
    assert len(of("cannot-see-source", view(blind=spots[1:], answered=()))) == 3


def test_a_pool_that_is_not_understood_weighs_by_how_much_is_missing() -> None:
    """Unknown margin: today. Unknown words: this-week. Parts unread: a note."""
    strange = pool(members=(member("a"), member("b", MemberState.UNKNOWN), member("c")))
    (finding,) = of("pool-not-understood", view(pools=(strange,)))
    assert (finding.urgency, finding.level) == ("today", 2)
    assert finding.sentence == "We cannot tell how protected the pool tank is."
    (finding,) = of("pool-not-understood", view(pools=(pool(notes=(note(Remark.FEW_CHECKS),)),)))
    assert finding.level == 1
    assert "could not be read or understood" in finding.sentence
    for remark, expected in ((Remark.UNKNOWN_WORD, "this-week"), (Remark.FEW_CHECKS, "note")):
        assert (
            urgency("pool-not-understood", view(pools=(pool(notes=(note(remark),)),))) == expected
        )
    assert urgency("pool-not-understood", view(pools=(pool(),))) is None


def no_right(source: str) -> Blindness:
    return Blindness(
        source=source, why=Unread.FORBIDDEN, detail=f"{source} may not be read", remedy="be root"
    )


def test_a_look_that_lacks_rights_is_one_trouble_with_one_next_step() -> None:
    """Not one for each source and drive: who starts it without root gets one case."""
    shut = [unread(letter, Unread.FORBIDDEN) for letter in "ab"]
    seen = view(
        unread=(*shut, unread("c", Unread.HUNG)),
        blind=(no_right("lvm"), no_right("kernel-log"), replace(no_right("zfs"), why=Unread.HUNG)),
        pool_pasts=(pool_past(kind=PoolKind.LVM),),
    )
    said = {str(f.subject): f for f in of("cannot-see-source", seen)}
    assert set(said) == {"source:rights", "source:zfs"}
    (one,) = [f for f in said.values() if f.subject == about_source(RIGHTS)]
    assert one.sentence == (
        "The watch may not ask the LVM volumes, the kernel log and 2 drives: what they would tell "
        "is not known. It hides: tank."
    )
    assert one.urgency is Urgency.TODAY
    assert one.pool is None
    assert {e.value for e in one.evidence} >= {"lvm may not be read", "kernel-log may not be read"}
    assert [f.subject.key for f in of("cannot-see-drive", seen)] == [drive("c")]


def test_where_only_drives_may_not_be_asked_they_are_counted_and_nothing_else_is_named() -> None:
    shut = tuple(unread(letter, Unread.FORBIDDEN) for letter in "abc")
    (one,) = of("cannot-see-source", view(unread=shut))
    assert one.sentence == "The watch may not ask 3 drives: what they would tell is not known."
    assert one.urgency is Urgency.THIS_WEEK


def test_one_thing_that_may_not_be_asked_says_so_itself() -> None:
    lone = of("cannot-see-source", view(blind=(no_right("lvm"),)))
    assert [f.subject for f in lone] == [about_source("lvm")]
    assert lone[0].next_step == "Be root."
    assert of("cannot-see-drive", view(unread=(unread("a", Unread.FORBIDDEN),)))
