"""How long a pool stood how: worked by hand, and that what was not seen is never called whole."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.facts.pool import Protection
from watcher.hub.protection_time import month_named, say_share, shares, spells
from watcher.store.floor import Gap
from watcher.store.history import PoolChange

SINCE = datetime(2026, 9, 1, tzinfo=UTC)
UNTIL = datetime(2026, 10, 1, tzinfo=UTC)
DAY = timedelta(days=1)
WHOLE, THINNED, BARE, UNKNOWN = (
    Protection.WHOLE,
    Protection.THINNED,
    Protection.BARE,
    Protection.UNKNOWN,
)


def change(day: float, protection: Protection) -> PoolChange:
    return PoolChange(
        at=SINCE + day * DAY,
        protection=protection,
        margin=None,
        full_margin=2,
        work_kind=None,
        work_state=None,
        said="",
    )


def gap(begin: float, end: float) -> Gap:
    return Gap(begun_at=SINCE + begin * DAY, ended_at=SINCE + end * DAY)


def test_a_month_worked_by_hand() -> None:
    """Thirty days: whole to the 10th, thinned to the 13th, whole; not seen on the 20th and 21st."""
    found = spells(
        [change(-5, WHOLE), change(9, THINNED), change(12, WHOLE)],
        [gap(19, 21)],
        since=SINCE,
        until=UNTIL,
        seen_until=UNTIL,
    )
    assert [(s.protection, s.lasts.days) for s in found] == [
        (WHOLE, 9), (THINNED, 3), (WHOLE, 7), (UNKNOWN, 2), (WHOLE, 9),
    ]  # fmt: skip
    part = shares(found)
    assert part[WHOLE] == pytest.approx(25 / 30)
    assert part[THINNED] == pytest.approx(3 / 30)
    assert part[UNKNOWN] == pytest.approx(2 / 30)
    assert part[Protection.BROKEN] == 0


def test_before_a_pool_was_seen_and_after_the_last_look_is_not_known() -> None:
    found = spells([change(10, WHOLE)], [], since=SINCE, until=UNTIL, seen_until=SINCE + 25 * DAY)
    assert [(s.protection, s.lasts.days) for s in found] == [
        (UNKNOWN, 10),
        (WHOLE, 15),
        (UNKNOWN, 5),
    ]


def test_what_changed_while_nobody_looked_is_not_known_and_holds_from_the_next_look() -> None:
    found = spells(
        [change(-1, WHOLE), change(14, BARE)],
        [gap(10, 14)],
        since=SINCE,
        until=UNTIL,
        seen_until=UNTIL,
    )
    assert [(s.protection, s.lasts.days) for s in found] == [(WHOLE, 10), (UNKNOWN, 4), (BARE, 16)]


def test_a_pool_of_which_nothing_was_seen_is_not_known_all_the_time() -> None:
    found = spells([], [], since=SINCE, until=UNTIL, seen_until=UNTIL)
    assert shares(found)[UNKNOWN] == 1
    assert shares([])[WHOLE] == 0


DAYS = st.floats(min_value=-3, max_value=33)


@given(
    changes=st.lists(st.tuples(DAYS, st.sampled_from(Protection)), max_size=6),
    holes=st.lists(st.tuples(DAYS, DAYS), max_size=4),
    seen=DAYS,
)
def test_the_spells_fill_the_month_without_overlap_and_nothing_unseen_is_called_known(
    changes: list[tuple[float, Protection]], holes: list[tuple[float, float]], seen: float
) -> None:
    gaps = [gap(min(h), max(h)) for h in holes]
    ordered = [change(*c) for c in sorted(changes, key=lambda c: c[0])]
    seen_until = SINCE + seen * DAY
    found = spells(ordered, gaps, since=SINCE, until=UNTIL, seen_until=seen_until)
    assert found[0].since == SINCE
    assert found[-1].until == UNTIL
    assert all(a.until == b.since and a.protection is not b.protection for a, b in pairwise(found))
    assert sum(shares(found).values()) == pytest.approx(1)
    for spell in found:
        if spell.protection is UNKNOWN:
            continue
        assert spell.until <= seen_until or seen_until >= UNTIL
        for hole in gaps:
            assert (
                hole.ended_at <= spell.since
                or hole.begun_at >= spell.until
                or (hole.begun_at == hole.ended_at)
            )


NOW = datetime(2026, 10, 15, 12, tzinfo=UTC)


def test_a_month_is_that_of_the_owners_zone_and_the_present_one_ends_now() -> None:
    zone = ZoneInfo("Europe/Oslo")
    last = month_named("", NOW, zone)
    assert last is not None
    assert (last.name, last.over) == ("2026-09", True)
    assert last.since == datetime(2026, 8, 31, 22, tzinfo=UTC)
    assert last.until == datetime(2026, 9, 30, 22, tzinfo=UTC)
    this = month_named("2026-10", NOW, zone)
    assert this is not None
    assert (this.until, this.over) == (NOW, False)
    december = month_named("2025-12", NOW, UTC)
    assert december is not None
    assert december.until == datetime(2026, 1, 1, tzinfo=UTC)


@pytest.mark.parametrize("text", ["2026-13", "2026-00", "soon", "2026-11", "2026-1", "9999-12"])
def test_what_is_no_month_or_has_not_begun_is_none(text: str) -> None:
    assert month_named(text, NOW, UTC) is None


@pytest.mark.parametrize(
    ("share", "words"),
    [(0, "0%"), (1, "100%"), (0.0004, "under 0.1%"), (0.9999, "over 99.9%"), (0.125, "12.5%")],
)
def test_a_little_is_not_nothing_and_almost_all_is_not_all(share: float, words: str) -> None:
    assert say_share(share) == words
