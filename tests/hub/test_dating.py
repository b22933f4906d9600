"""What a box's clock says is not believed; the order in which surveys come is."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.hub.stage import EVERY, NOW, enrol, look, parcel, shop
from tests.store import made
from watcher.facts.identity import BoxId
from watcher.facts.pool import Protection
from watcher.facts.readiness import BackupsSeen, CopySeen, HowKnown, Irreplaceable
from watcher.hub.dating import CLOCKS_AGREE, clock_behind, dated, differs, say_clock
from watcher.hub.passing import PassingTime
from watcher.hub.shop import Shop
from watcher.hub.wire import pack, unpack_to_keep
from watcher.store.database import Store

PRESS = BoxId("press")
DAYS = timedelta(days=3)


def test_a_clock_is_written_and_read_as_http_has_it() -> None:
    """RFC 9110 section 5.6.7 gives this very date as its example of the preferred form."""
    at = datetime(1994, 11, 6, 8, 49, 37, tzinfo=UTC)
    assert say_clock(at) == "Sun, 06 Nov 1994 08:49:37 GMT"
    assert clock_behind(say_clock(at), at + DAYS) == DAYS
    assert clock_behind(say_clock(at), at - DAYS) == -DAYS


@pytest.mark.parametrize(
    "said", ["", "noon", "Sun, 06 Nov 99999 08:49:37 GMT", "Sun, 06 Nov 1994 08:49:37 -0000"]
)
def test_a_clock_that_cannot_be_read_says_nothing(said: str) -> None:
    assert clock_behind(said, NOW) is None
    assert not differs(None)


def test_a_survey_of_a_clock_that_agrees_stays_as_it_is() -> None:
    survey = look(2)
    for behind in (None, timedelta(0), CLOCKS_AGREE, -CLOCKS_AGREE):
        assert dated(survey, behind, NOW + EVERY, NOW + 2 * EVERY) is survey
    waited = dated(survey, timedelta(0), NOW + EVERY, NOW + timedelta(days=9))
    assert waited is survey, "one that waited for the hub keeps its date"


@pytest.mark.parametrize("wrong", [DAYS, -DAYS, timedelta(days=-20_000), timedelta(days=900_000)])
def test_all_that_was_seen_is_dated_by_the_clock_of_the_hub(wrong: timedelta) -> None:
    survey = look(1, events=(made.event(NOW + EVERY),))
    there = replace(
        survey,
        taken_at=survey.taken_at + wrong,
        drives=tuple(replace(r, observed_at=r.observed_at + wrong) for r in survey.drives),
        pools=tuple(replace(p, observed_at=p.observed_at + wrong) for p in survey.pools),
        events=tuple(replace(e, at=e.at + wrong) for e in survey.events),
    )
    assert dated(there, -wrong, NOW, NOW + 2 * EVERY) == survey


def test_a_copy_or_a_scrub_never_seems_fresher_by_it() -> None:
    copy = CopySeen(
        name="nas", how=HowKnown.MARKER, fresh_for=timedelta(days=1), copied_at=NOW - EVERY
    )
    thing = Irreplaceable(name="photos", paths=("/p",), copies=(copy,))
    pool = replace(made.pool(NOW), scrubbed_at=NOW - EVERY)
    survey = replace(look(1), backups=BackupsSeen(seen_at=NOW, things=(thing,)), pools=(pool,))
    for behind, ago in ((DAYS, EVERY), (-DAYS, EVERY + DAYS)):
        found = dated(survey, behind, None, NOW + timedelta(days=9))
        assert found.backups is not None
        assert found.backups.things[0].copies[0].copied_at == NOW - ago
        assert found.pools[0].scrubbed_at == NOW - ago


def test_an_event_from_the_future_is_of_now() -> None:
    """Else it would count as recent for years."""
    event = made.event(NOW + timedelta(days=5000))
    (found,) = dated(look(1, events=(event,)), None, None, NOW + EVERY).events
    assert found.at == NOW + EVERY


@given(
    taken=st.integers(-100_000, 100_000),
    behind=st.none() | st.integers(-100_000, 100_000),
    last=st.none() | st.integers(-100_000, 100_000),
)
def test_whatever_comes_is_newer_than_what_is_known_and_not_from_the_future(
    taken: int, behind: int | None, last: int | None
) -> None:
    survey = made.survey("s", NOW + timedelta(minutes=taken))
    known = None if last is None else NOW + timedelta(minutes=last)
    off = None if behind is None else timedelta(minutes=behind)
    at = dated(survey, off, known, NOW).taken_at
    assert at <= NOW + CLOCKS_AGREE + timedelta(seconds=1)
    assert known is None or known > NOW + CLOCKS_AGREE or at > known


# --- at the hub --------------------------------------------------------------------------------


def protection_of(hub: Shop) -> Protection:
    with hub.store.snapshot() as tx:
        survey = tx.last_survey(PRESS)
        (pool,) = tx.pools_everywhere()
    assert survey is not None
    assert survey.pools[0].protection is pool.protection
    return pool.protection


def rules_of(store: Store) -> set[str]:
    with store.snapshot() as tx:
        return {f.rule for case in tx.load_book(PRESS).open_cases for f in case.standing}


@pytest.mark.parametrize("says_its_clock", [True, False])
@pytest.mark.parametrize("wrong", [DAYS, -DAYS])
def test_a_loss_is_told_also_when_the_clock_of_the_box_steps(
    *, wrong: timedelta, says_its_clock: bool
) -> None:
    """The box takes its own messages back as soon as the hub has the survey: so the hub must speak.

    Its clock is wrong for one survey, or from then on.
    """
    for until in (2, 9):
        hub = shop()
        token = enrol(hub, "press")
        for number in range(1, 6):
            off = wrong if 2 <= number <= until else timedelta(0)
            survey = look(number, lost=int(number > 2))
            now = NOW + number * EVERY
            hub.take(
                token,
                parcel(replace(survey, taken_at=survey.taken_at + off)),
                "192.0.2.7",
                now,
                behind=-off if says_its_clock else None,
            )
            expected = Protection.BARE if number > 2 else Protection.WHOLE
            assert protection_of(hub) is expected, number
            assert ("margin-gone" in rules_of(hub.store)) is (number > 2)
            assert ("clock-differs" in rules_of(hub.store)) is (bool(off) and says_its_clock)
            with hub.store.snapshot() as tx:
                seen = tx.box_seen(PRESS)
            assert seen is not None
            assert abs(seen.last_survey_at - now) <= timedelta(seconds=1)


def test_what_was_dated_anew_is_kept_as_dated() -> None:
    hub = shop()
    token = enrol(hub, "press")
    told, sent = unpack_to_keep(pack(parcel(replace(look(1), taken_at=NOW + DAYS))))
    hub.take(token, told, "", NOW + EVERY, sent, -DAYS)
    with hub.store.snapshot() as tx:
        survey = tx.last_survey(PRESS)
    assert survey is not None
    assert survey.taken_at == NOW


def test_a_box_that_was_told_of_as_quiet_is_judged_by_what_it_kept_meanwhile() -> None:
    """That it was told of is no survey: what was taken before that moment is still news."""
    hub = shop()
    token = enrol(hub, "press")
    hub.take(token, parcel(look(1)), "", NOW + EVERY)
    assert PassingTime(hub).mind_the_quiet(NOW + timedelta(hours=3), timedelta(minutes=45))
    hub.take(token, parcel(look(3, lost=1)), "", NOW + timedelta(hours=4))
    assert "margin-gone" in rules_of(hub.store)
    assert "box-quiet" not in rules_of(hub.store)
