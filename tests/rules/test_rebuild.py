"""Time-zero tables of the rules about the work that fills a pool."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.rules.build import T0, member, note, of, pool, pool_past, urgency, view
from watcher.facts.pool import MemberState, Remark, Work, WorkKind, WorkState
from watcher.facts.pool_past import WorkSample
from watcher.rules.rebuild import stuck_since

MINUTE = timedelta(minutes=1)


def samples(
    *points: tuple[int, float | None], kind: WorkKind = WorkKind.REBUILD
) -> tuple[WorkSample, ...]:
    """Make samples as (minutes ago, fraction), oldest first."""
    return tuple(WorkSample(at=T0 - m * MINUTE, kind=kind, done_fraction=f) for m, f in points)


REBUILD = Work(kind=WorkKind.REBUILD, done_fraction=0.5)


def test_a_replacement_in_a_whole_pool_is_no_lack_of_protection() -> None:
    new = member("d", MemberState.REBUILDING)
    seen = view(pools=(pool(others=(new,), work=Work(kind=WorkKind.REBUILD)),))
    (finding,) = of("rebuild-running", seen)
    assert "the protection is full" in finding.sentence
    assert "not back" not in finding.sentence


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        (WorkKind.REBUILD, "note"),
        (WorkKind.FIRST_BUILD, "note"),
        (WorkKind.SCRUB, None),
        (WorkKind.RESHAPE, None),
    ],
)
def test_a_rebuild_is_a_note_and_a_scrub_is_none(kind: WorkKind, expected: str | None) -> None:
    """The missing margin has its own finding."""
    seen = view(pools=(pool(lost="b", work=Work(kind=kind, done_fraction=0.5)),))
    assert urgency("rebuild-running", seen) == expected


@pytest.mark.parametrize(
    ("work", "past", "expected"),
    [
        (REBUILD, samples((60, 0.5), (30, 0.5)), "now"),  # an hour: equal counts
        (REBUILD, samples((59, 0.5)), None),
        (REBUILD, samples((90, 0.4), (30, 0.5)), None),  # it moved half an hour ago
        (REBUILD, samples((90, 0.5), (30, 0.4)), None),  # it fell back: a restart
        (REBUILD, samples((90, 0.5), kind=WorkKind.SCRUB), None),
        (REBUILD, (), None),
        (Work(kind=WorkKind.REBUILD), samples((90, None)), None),  # progress is not told
        (Work(kind=WorkKind.REBUILD, state=WorkState.PAUSED), (), "now"),
        (Work(kind=WorkKind.REBUILD, state=WorkState.WAITING, done_fraction=0.0), (), None),
    ],
)
def test_a_rebuild_that_stands_still_for_an_hour_is_told(
    work: Work, past: tuple[WorkSample, ...], expected: str | None
) -> None:
    """Our choice: md's own floor of 1,000 KB/s moves 3.6 GB in an hour."""
    seen = view(pools=(pool(lost="b", work=work),), pool_pasts=(pool_past(work=past),))
    assert urgency("rebuild-stalled", seen) == expected


def test_a_stall_is_told_with_how_long_and_what_holds_it() -> None:
    busy = pool(lost="b", work=REBUILD, notes=(note(Remark.FROZEN, "held"),))
    past = pool_past(work=samples((70, 0.5)))
    (finding,) = of("rebuild-stalled", view(pools=(busy,), pool_pasts=(past,)))
    assert finding.sentence == "The rebuild of the pool tank stands still; it stays unprotected."
    assert [(e.what, e.value) for e in finding.evidence] == [
        ("no progress for", "1 h 10 min"),
        ("work", "rebuild, running"),
        ("frozen", "held"),
    ]
    thinned = pool("abcd", bears=2, lost="b", work=REBUILD)
    (finding,) = of("rebuild-stalled", view(pools=(thinned,), pool_pasts=(past,)))
    assert finding.sentence == "The rebuild of the pool tank stands still."
    first = Work(kind=WorkKind.FIRST_BUILD, state=WorkState.PAUSED)
    assert urgency("rebuild-stalled", view(pools=(pool(lost="b", work=first),))) == "now"
    scrub = Work(kind=WorkKind.SCRUB, state=WorkState.PAUSED)
    assert urgency("rebuild-stalled", view(pools=(pool(lost="b", work=scrub),))) is None


def test_a_sample_of_this_very_moment_counts() -> None:
    assert stuck_since(pool(lost="b", work=REBUILD), pool_past(work=samples((0, 0.5))), T0) == T0


def test_a_stall_is_less_urgent_while_margin_remains_and_none_on_a_whole_pool() -> None:
    """Urgency follows margin."""
    paused = Work(kind=WorkKind.REBUILD, state=WorkState.PAUSED)
    thinned = pool("abcd", bears=2, lost="a", work=paused)
    assert urgency("rebuild-stalled", view(pools=(thinned,))) == "today"
    assert urgency("rebuild-stalled", view(pools=(pool(work=paused),))) is None
    frozen = pool(lost="b", notes=(note(Remark.FROZEN),))
    assert urgency("rebuild-stalled", view(pools=(frozen,))) == "now"


def test_standing_still_is_dated_from_the_first_equal_sample() -> None:
    """With no past, or no fraction, it is not known."""
    busy = pool(lost="b", work=REBUILD)
    past = pool_past(work=samples((90, 0.4), (50, 0.5), (20, 0.5)))
    assert stuck_since(busy, past, T0) == T0 - 50 * MINUTE
    assert stuck_since(busy, None, T0) is None
    assert stuck_since(pool(), past, T0) is None


@pytest.mark.parametrize(("bears", "expected"), [(1, "now"), (2, "today")])
def test_a_rebuild_that_cannot_finish_is_told_once(bears: int, expected: str) -> None:
    """Linux commit 4044ba58dd15: a lone leg with a read error never finishes."""
    stuck = pool("abcd", bears=bears, lost="b", work=REBUILD, notes=(note(Remark.CANNOT_FINISH),))
    seen = view(pools=(stuck,), pool_pasts=(pool_past(work=samples((90, 0.5))),))
    assert urgency("rebuild-cannot-finish", seen) == expected
    assert urgency("rebuild-running", seen) is None
    assert urgency("rebuild-stalled", seen) is None
