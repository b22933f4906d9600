"""Time-zero tables of the rules that put several drives together."""

from __future__ import annotations

import pytest

from tests.rules.build import (
    drive,
    event,
    identity,
    member,
    of,
    pool,
    reading,
    self_test,
    urgency,
    view,
)
from watcher.facts.drive import DriveReading, Metric, Verdict
from watcher.facts.identity import PoolId
from watcher.facts.kernel_event import Category
from watcher.facts.pool import MemberState

BAD = self_test(passed=False, found_damage=True)
HOURS = Metric.POWER_ON_HOURS


def box(bad: str, letters: str = "abcd") -> list[DriveReading]:
    """Make drives of which some found damage in a self-test."""
    return [reading(x, self_tests=(BAD,) if x in bad else ()) for x in letters]


@pytest.mark.parametrize(
    ("bad", "bears", "lost", "expected"),
    [
        ("a", 1, "", None),
        ("ab", 1, "", "today"),  # two fade, one may go
        ("ab", 2, "", None),  # two fade, two may go
        ("abc", 2, "", "today"),
        ("ab", 2, "d", "today"),
        ("ab", 1, "d", "now"),
        ("a", 1, "d", None),  # one: its own finding is for now already
    ],
)
def test_members_that_fade_beyond_the_margin_are_told_together(
    bad: str, bears: int, lost: str, expected: str | None
) -> None:
    """Two cases are less than what they are together."""
    seen = view(*box(bad), pools=(pool("abcd", bears=bears, lost=lost),))
    assert urgency("fading-together", seen) == expected


@pytest.mark.parametrize(
    ("lost", "unknown", "words"),
    [
        ("", "", "2 drives of the pool tank show signs of failing, and it can lose 1."),
        ("c", "", "2 drives of the pool tank show signs of failing, and it can lose none."),
        (
            "",
            "c",
            (
                "2 drives of the pool tank show signs of failing, and how many drives it can lose "
                "is not known."
            ),
        ),
    ],
)
def test_what_the_pool_can_lose_is_told_beside_what_fades_and_not_known_is_not_none(
    lost: str, unknown: str, words: str
) -> None:
    parts = tuple(
        member(
            x,
            MemberState.MISSING
            if x in lost
            else MemberState.UNKNOWN
            if x in unknown
            else MemberState.GOOD,
        )
        for x in "abc"
    )
    (finding,) = of("fading-together", view(*box("ab", "ab"), pools=(pool(members=parts),)))
    assert finding.sentence == words
    assert finding.drives == (drive("a"), drive("b"))
    assert [e.what.split()[0] for e in finding.evidence] == ["Altair", "Altair"]
    assert finding.level == 2


def test_in_a_bare_pool_none_that_fades_is_to_be_pulled() -> None:
    """Replacing "the worst first" there would lose the pool: the one that is out comes first."""
    (bare,) = of("fading-together", view(*box("ab"), pools=(pool("abcd", lost="d"),)))
    assert bare.next_step.startswith("Pull none of them")
    assert bare.next_step.index("the one that is out") < bare.next_step.index("the worst first")
    (whole,) = of("fading-together", view(*box("ab"), pools=(pool("abcd"),)))
    assert "old one left in while the new one is filled" in whole.next_step


def test_a_drive_that_is_out_does_not_fade_with_the_rest() -> None:
    """It is lost already: what the pool can still lose is counted without it."""
    parts = tuple(member(x, MemberState.FAILED if x == "d" else MemberState.GOOD) for x in "abcd")
    hurt = pool(members=parts, bears=2)
    assert urgency("fading-together", view(*box("ad"), pools=(hurt,))) is None
    assert urgency("fading-together", view(*box("abd"), pools=(hurt,))) == "today"


def test_links_heat_and_steady_counters_do_not_fade() -> None:
    """A backplane with two bad slots is no pair of failing drives."""
    drives = [reading(x, {Metric.PENDING_SECTORS: 1}) for x in "ab"]
    recent = tuple(event(x, Category.LINK, count=90) for x in "ab")
    seen = view(*drives, pools=(pool("ab", layout="raid1"),), recent=recent)
    assert urgency("fading-together", seen) is None


def test_two_drives_of_two_pools_do_not_fade_together() -> None:
    """Each pool by itself."""
    one, other = pool("ac"), pool("bd", key=PoolId("md:barn"))
    assert of("fading-together", view(*box("ab"), pools=(one, other))) == []


def test_drives_of_one_lot_hurry_when_one_of_the_pool_was_lost_and_matter_beyond_the_margin() -> (
    None
):
    drives = [
        reading(x, {HOURS: 20_000}, who=identity(x, serial=f"QX7700{i}"))
        for i, x in enumerate("ab")
    ]
    whole, bears_both = pool("abc"), pool("abc", bears=2)
    (note,) = of("same-batch-risk", view(*drives, pools=(whole,)))
    assert (note.urgency, note.level, note.drives) == ("note", 1, (drive("a"), drive("b")))
    (hurt,) = of("same-batch-risk", view(*drives, pools=(pool("abc", lost="c"),)))
    assert (hurt.urgency, hurt.level) == ("this-week", 2)
    assert of("same-batch-risk", view(*drives, pools=(bears_both,))) == []
    assert of("same-batch-risk", view(*drives, pools=(pool("abc", bears=0),))) == []


def lot(
    serials: dict[str, str], hours: dict[str, int], *, bad: str = "", model: str = "Altair A8"
) -> str | None:
    """Judge a pool of drives with these serial numbers and hours."""
    drives = [
        reading(
            x,
            {HOURS: hours[x]} if x in hours else {},
            who=identity(x, serial=serial, model=model),
            verdict=Verdict.FAILING if x in bad else Verdict.PASSED,
        )
        for x, serial in serials.items()
    ]
    return urgency("same-batch-risk", view(*drives, pools=(pool("".join(serials)),)))


ALIKE = {"a": "QX77001", "b": "QX77002", "c": "QX77950"}
OLD = dict.fromkeys("abc", 20_000)


def test_drives_of_one_lot_and_age_are_noted_and_hurry_when_one_fades() -> None:
    """Common practice, no source."""
    assert lot(ALIKE, OLD) == "note"
    assert lot(ALIKE, OLD, bad="b") == "this-week"


@pytest.mark.parametrize(
    ("serials", "hours"),
    [
        (ALIKE, {"a": 20_000, "b": 20_169, "c": 30_000}),  # more than a week apart
        (ALIKE, dict.fromkeys("abc", 8_765)),  # in their first year
        (ALIKE, {}),  # hours not known
        (ALIKE, dict.fromkeys("abc", 900_000)),  # hours that cannot be true
        ({"a": "QX77001", "b": "QY12002", "c": "ZZ00950"}, OLD),
        ({"a": "X1", "b": "X2", "c": "X3"}, OLD),  # too short to tell
        ({"a": "QX77001", "b": "QX770021", "c": "ZZ00950"}, OLD),  # another length
    ],
)
def test_look_alikes_are_no_lot(serials: dict[str, str], hours: dict[str, int]) -> None:
    """Other lots, ages apart, or not known."""
    assert lot(serials, hours) is None


def test_hours_a_week_apart_still_are_one_age() -> None:
    """Equal counts: 168 hours."""
    assert (
        lot({"a": "QX77001", "b": "QX77002", "c": "ZZ00950"}, {"a": 20_000, "b": 20_168, "c": 1})
        == "note"
    )


def test_two_models_are_no_lot() -> None:
    """Nor two sizes."""
    drives = [
        reading(x, {HOURS: 20_000}, who=identity(x, serial=f"QX7700{i}", model=m, capacity_bytes=c))
        for i, (x, m, c) in enumerate(
            (("a", "Altair A8", 8), ("b", "Altair A9", 8), ("c", "Altair A8", 10))
        )
    ]
    assert of("same-batch-risk", view(*drives, pools=(pool(),))) == []
