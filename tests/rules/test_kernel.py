"""Time-zero tables of the rules about the kernel log and about drives that left."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.rules.build import (
    DAY,
    T0,
    drive,
    event,
    identity,
    member,
    of,
    past,
    pool,
    pool_past,
    reading,
    unread,
    urgency,
    view,
)
from watcher.facts.drive import Medium, Metric, Unread
from watcher.facts.finding import Finding
from watcher.facts.kernel_event import Category
from watcher.facts.pool import Role, Work, WorkKind, WorkState

CRC, WAIT = Metric.INTERFACE_CRC_ERRORS, Metric.WAIT_MICROSECONDS


@pytest.mark.parametrize(("lines", "level"), [(1, 1), (2, 2), (3, 2), (4, 3), (900, 10)])
def test_the_first_media_line_is_worth_a_look_and_many_raise_the_level(
    lines: int, level: int
) -> None:
    """FAST 2007 section 3.5.1: the first scan error counts, not the tenth."""
    seen = view(reading("a"), recent=(event("a", Category.MEDIUM, count=lines),))
    (finding,) = of("log-says-media", seen)
    assert (finding.urgency.value, finding.level) == ("this-week", level)


@pytest.mark.parametrize("category", [c for c in Category if c is not Category.MEDIUM])
def test_other_lines_are_no_media_lines(category: Category) -> None:
    """Links, controllers, noise have their own meaning."""
    seen = view(reading("a"), recent=(event("a", category, count=50),))
    assert urgency("log-says-media", seen) is None


def test_media_lines_about_another_drive_or_none_are_quiet() -> None:
    """A stick or an optical drive belongs to no watched drive."""
    assert (
        urgency("log-says-media", view(reading("a"), recent=(event("b", Category.MEDIUM),))) is None
    )


def test_a_media_line_on_a_member_of_a_bare_pool_is_for_now() -> None:
    """The worst of all: trouble on a survivor while margin is gone."""
    for lost, expected in (("", "this-week"), ("c", "now")):
        seen = view(reading("a"), pools=(pool(lost=lost),), recent=(event("a", Category.MEDIUM),))
        assert urgency("log-says-media", seen) == expected


@pytest.mark.parametrize(
    ("points", "now", "expected"),
    [
        ([(60, 0)], 0, None),
        ([(60, 0)], 1, "this-week"),
        ([(60, 500)], 500, None),  # an old count that stands still
        ([(60, 0), (2, 300)], 399, "this-week"),
        ([(60, 0), (2, 300)], 400, "today"),  # 100 within a day: equal counts
        ([(60, 500)], 3, None),  # a reset
        ([(60, 0), (8, 90)], 90, None),
    ],
)
def test_crc_errors_point_at_the_cable_and_hurry_when_fast(
    points: list[tuple[float, int]], now: int, expected: str | None
) -> None:
    """The cable first."""
    seen = view(reading("a", {CRC: now}), pasts=(past("a", {CRC: points}),))
    assert urgency("wire-or-backplane", seen) == expected
    for finding in of("wire-or-backplane", seen):
        assert finding.next_step.startswith("Check the cable first")
        assert "Altair A8, 8 TB, serial XA1" in finding.next_step


def test_a_count_on_the_first_survey_is_not_known_to_grow() -> None:
    """About 1,900 of 65,336 drives carry one (smartctl_reports)."""
    assert urgency("wire-or-backplane", view(reading("a", {CRC: 9000}))) is None


@pytest.mark.parametrize(("lines", "expected"), [(2, None), (3, "this-week")])
def test_a_few_link_lines_are_a_start_up(lines: int, expected: str | None) -> None:
    """Suspend, resume and start-up reset a link once or twice."""
    seen = view(reading("a"), recent=(event("a", Category.LINK, count=lines),))
    assert urgency("wire-or-backplane", seen) == expected


def test_a_drive_that_left_and_is_back_is_told() -> None:
    """Once is enough; without a line nothing is said."""
    back = view(reading("a"), recent=(event("a", Category.GONE), event("a", Category.GONE)))
    (finding,) = of("drive-comes-and-goes", back)
    assert (finding.urgency.value, finding.level) == ("this-week", 2)
    assert of("drive-comes-and-goes", view(reading("a"))) == []


def test_a_drive_that_vanished_while_it_was_asked_has_not_come_back() -> None:
    """Seen in a guest machine: the pull was in the log before the block layer had let go of it."""
    gone = view(unread=(unread("a", Unread.VANISHED),), recent=(event("a", Category.GONE),))
    assert of("drive-comes-and-goes", gone) == []
    slow = view(unread=(unread("a", Unread.HUNG),), recent=(event("a", Category.GONE),))
    assert len(of("drive-comes-and-goes", slow)) == 1


def test_a_drive_that_is_no_longer_there_is_for_today_and_names_itself() -> None:
    """It names bay, model, size and serial."""
    seen = view(pasts=(past("b", bay="3"),))
    (finding,) = of("drive-gone", seen)
    assert finding.urgency.value == "today"
    assert finding.label == "bay 3 (Altair A8, 8 TB, serial XB1)"
    assert finding.label in finding.next_step


def test_a_gone_drive_of_a_pool_without_margin_is_for_now() -> None:
    """The pool knows its old members by its past or its tree."""
    seen = view(reading("a"), pools=(pool(lost="b"),), pasts=(past("b"),))
    assert urgency("drive-gone", seen) == "now"
    (found,) = of("drive-gone", seen)
    assert "leave it in" not in found.next_step, "nobody can leave in what is not there"
    assert found.next_step.startswith("Its pool cannot lose another drive now: copy first")


@pytest.mark.parametrize(
    ("answered", "how"),
    [
        (("drive-discovery", "md"), "is no longer there"),
        (("drive-discovery",), "cannot be seen"),
    ],
)
def test_a_drive_that_left_with_its_pool_is_one_trouble_with_it(
    answered: tuple[str, ...], how: str
) -> None:
    """A controller or a power cable takes a whole pool: one case, and one next step."""
    was = pool_past(drives=(drive("b"),))
    seen = view(reading("a"), pasts=(past("b"),), pool_pasts=(was,), answered=answered)
    (found,) = of("drive-gone", seen)
    assert found.pool == was.pool
    assert found.sentence.endswith(f"It belongs to the pool {was.name}, which {how}.")
    (own,) = of("pool-gone", seen) or (None,)
    if own is not None:
        assert found.next_step == own.next_step
        assert own.next_step.startswith("Create nothing anew")
    retired = replace(seen, pool_past={was.pool: replace(was, in_use=False)})
    assert of("drive-gone", retired)[0].pool is None


def test_nothing_is_said_of_gone_drives_when_nobody_could_look() -> None:
    """Blind is not gone."""
    seen = view(pasts=(past("b"),), answered=("md",))
    assert of("drive-gone", seen) == []


@pytest.mark.parametrize("why", [w for w in Unread if w is not Unread.VANISHED])
def test_a_drive_that_is_there_and_does_not_answer_is_not_gone(why: Unread) -> None:
    """Asleep, hung or forbidden: present."""
    assert of("drive-gone", view(pasts=(past("b"),), unread=(unread("b", why),))) == []


def test_a_drive_that_vanished_is_gone_and_a_retired_or_unseen_one_is_not() -> None:
    """Vanished counts as gone; what the owner retired is not expected."""
    vanished = view(pasts=(past("b"),), unread=(unread("b", Unread.VANISHED),))
    assert urgency("drive-gone", vanished) == "today"
    assert of("drive-gone", view(pasts=(past("b", in_use=False),))) == []
    assert of("drive-gone", view(pasts=(past("b", last_present=None),))) == []


def slow(
    waits: dict[str, int], before: int | None, *, medium: Medium = Medium.ROTATING
) -> str | None:
    """Judge drive a beside its siblings."""
    readings = [
        reading(x, {WAIT: w}, who=identity(x, medium=medium if x == "a" else Medium.ROTATING))
        for x, w in waits.items()
    ]
    pasts = () if before is None else (past("a", {WAIT: [(1, before)]}),)
    letters = "".join(waits)
    return urgency("slower-than-its-siblings", view(*readings, pools=(pool(letters),), pasts=pasts))


@pytest.mark.parametrize(
    ("mine", "before", "expected"),
    [
        (30_000, 30_000, "note"),  # three times 10 ms: equal counts
        (29_999, 30_000, None),
        (30_000, 9_000, None),  # one slow moment
        (30_000, None, None),  # not known
    ],
)
def test_a_member_that_is_slow_twice_is_noted(
    mine: int, before: int | None, expected: str | None
) -> None:
    """Three times the median of its siblings, and at least 20 ms."""
    assert slow({"a": mine, "b": 10_000, "c": 10_000}, before) == expected


def test_slowness_needs_siblings_alike_and_a_wait_that_matters() -> None:
    """Two members are no comparison, flash is no sibling of a platter, 9 ms are no trouble."""
    assert slow({"a": 90_000, "b": 10_000}, 90_000) is None
    assert slow({"a": 9_000, "b": 1_000, "c": 1_000}, 9_000) is None
    assert slow({"a": 90_000, "b": 1_000, "c": 1_000}, 90_000, medium=Medium.FLASH) is None


@pytest.mark.parametrize(
    ("kind", "expected"),
    [(WorkKind.SCRUB, "note"), (WorkKind.REBUILD, None), (WorkKind.SYNC, None)],
)
def test_a_drive_that_is_filled_waits_longer_than_its_siblings_and_that_is_no_sign(
    kind: WorkKind, expected: str | None
) -> None:
    """A scrub falls on all members alike, a rebuild or a parity update does not."""
    readings = [reading(x, {WAIT: w}) for x, w in {"a": 90_000, "b": 9_000, "c": 9_000}.items()]
    busy = replace(pool("abc"), work=Work(kind=kind, state=WorkState.RUNNING))
    seen = view(*readings, pools=(busy,), pasts=(past("a", {WAIT: [(1, 90_000)]}),))
    assert urgency("slower-than-its-siblings", seen) == expected


def test_a_parity_drive_is_not_compared_with_data_drives() -> None:
    """In a pool with dedicated parity every write goes to it, and reads do not."""
    readings = [reading(x, {WAIT: w}) for x, w in {"a": 90_000, "b": 9_000, "c": 9_000}.items()]
    parts = (member("a", role=Role.PARITY), member("b"), member("c"))
    for members, expected in ((parts, None), ((member("a"), *parts[1:]), "note")):
        seen = view(
            *readings,
            pools=(pool(members=members),),
            pasts=(past("a", {WAIT: [(1, 90_000)]}),),
        )
        assert urgency("slower-than-its-siblings", seen) == expected


def test_times_are_told_with_the_drive() -> None:
    """How long it has been away is evidence."""
    seen = view(pasts=(past("b", last_present=T0 - 2 * DAY - timedelta(hours=3)),))
    (finding,) = of("drive-gone", seen)
    assert finding.evidence[0].value == "2026-02-27 09:00 UTC, 2 days 3 h ago"


def told(finding: Finding) -> list[tuple[str, str]]:
    return [(e.what, e.value) for e in finding.evidence]


def test_of_many_lines_the_latest_three_are_quoted_with_how_many_there_were() -> None:
    lines = tuple(
        replace(
            event("a", Category.MEDIUM, ago=timedelta(hours=9 - n)), line=f"line {n}" if n else ""
        )
        for n in range(5)
    )
    (finding,) = of("log-says-media", view(reading("a"), recent=lines))
    assert told(finding) == [
        ("kernel log 2026-03-01 05:00 UTC", "line 2"),
        ("kernel log 2026-03-01 06:00 UTC", "line 3"),
        ("kernel log 2026-03-01 07:00 UTC", "line 4"),
        ("lines in 24 hours", "5"),
    ]
    (finding,) = of("log-says-media", view(reading("a"), recent=lines[:1]))
    assert told(finding)[0] == ("kernel log 2026-03-01 03:00 UTC", "some-line")


def test_the_count_of_a_bad_link_is_evidence_where_it_grew_and_only_there() -> None:
    points = past("a", {CRC: [(60, 5)]})
    (counted,) = of("wire-or-backplane", view(reading("a", {CRC: 9}), pasts=(points,)))
    assert [row[0] for row in told(counted)] == ["interface CRC errors"]
    assert told(counted)[0][1].startswith("9")
    lines = (event("a", Category.LINK, count=8),)
    still = view(reading("a", {CRC: 5}), pasts=(points,), recent=lines)
    (logged,) = of("wire-or-backplane", still)
    assert [row[0] for row in told(logged)] == ["kernel log 2026-03-01 11:00 UTC"]
    assert (counted.level, logged.level) == (3, 4)


def test_a_drive_that_left_is_told_with_what_was_met_at_its_place_and_never_after_now() -> None:
    seen = view(
        pasts=(past("b", last_present=T0 + timedelta(hours=2)), past("c")),
        unread=(unread("b", Unread.VANISHED), unread("c", Unread.HUNG)),
    )
    (finding,) = of("drive-gone", seen)
    assert told(finding) == [
        ("last there", "2026-03-01 14:00 UTC, 0 s ago"),
        ("at /dev/sdb", "as seen"),
    ]
    assert finding.level == 1


def test_a_slow_drive_is_told_with_its_wait_and_that_of_its_siblings() -> None:
    waits = {"a": 90_000, "b": 9_000, "c": 8_000, "d": 500_000}
    readings = [reading(x, {WAIT: w}) for x, w in waits.items()]
    pasts = tuple(past(x, {WAIT: [(1, w)]}) for x, w in waits.items())
    seen = view(*readings[:3], pools=(pool("abc"),), pasts=pasts)
    (finding,) = of("slower-than-its-siblings", seen)
    assert told(finding) == [
        ("wait for each request", "90.0 ms"),
        ("median of 2 siblings", "8.5 ms"),
    ]
    assert finding.level == 4  # 10.6 times
    at_the_least = {"a": 20_000, "b": 10, "c": 10}
    assert slow(at_the_least, 20_000) == "note"
    assert slow(at_the_least | {"a": 19_999}, 19_999) is None
