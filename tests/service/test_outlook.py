"""A forecast that gets worse is told once for each worsening, and never for lost margin itself."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from watcher.demo.story import BOX, new_box, rebuild_to
from watcher.exposure.window import WindowPlan
from watcher.facts.finding import Urgency
from watcher.readers.survey import Looking, Surveyor
from watcher.rules.catalogue import CATALOGUE
from watcher.service.desk import view_of
from watcher.service.outlook import LEAST_CHANCE, RULE, Kept, compare, follow_forecasts
from watcher.store.database import open_memory

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
BEFORE = Kept(protection="bare", computed_at=NOW, ends_at=NOW + timedelta(hours=10), chance=0.02)


def test_a_later_end_is_told_and_becomes_the_new_measure() -> None:
    later = replace(BEFORE, ends_at=NOW + timedelta(hours=14))
    worse = compare(BEFORE, later)
    assert worse.level == 1
    assert "later than forecast" in worse.sentence
    assert compare(worse, later) == worse, "the same again is no news"


def test_a_little_later_or_sooner_is_not_told() -> None:
    for hours in (5, 10, 11):
        assert compare(BEFORE, replace(BEFORE, ends_at=NOW + timedelta(hours=hours))) == BEFORE


def test_a_doubled_chance_is_told_and_a_tiny_one_is_not() -> None:
    assert compare(BEFORE, replace(BEFORE, chance=0.05)).level == 1
    tiny = replace(BEFORE, chance=1e-6)
    assert compare(tiny, replace(BEFORE, chance=LEAST_CHANCE / 2)).level == 0


def test_before_a_rebuild_runs_its_end_is_not_compared() -> None:
    waiting = replace(BEFORE, ends_at=None)
    assert compare(waiting, replace(waiting, computed_at=NOW + timedelta(days=5))) == waiting
    begun = compare(waiting, BEFORE)
    assert begun.ends_at == BEFORE.ends_at
    assert begun.level == 0


def test_lost_margin_begins_a_new_comparison() -> None:
    worse = replace(BEFORE, level=3, sentence="x")
    now = replace(BEFORE, protection="thinned", ends_at=NOW + timedelta(days=9))
    assert compare(worse, now) == now


def test_what_is_kept_comes_back_and_nonsense_begins_anew() -> None:
    assert Kept.from_text(BEFORE.to_text()) == BEFORE
    for text in ("", "{}", "[]", '{"ends_at": 4}'):
        assert Kept.from_text(text) is None


def test_a_rebuild_that_slows_down_is_found_and_forgotten_when_the_pool_is_whole() -> None:
    box = new_box()
    surveyor = Surveyor(box, Looking(box=BOX))
    rules: list[tuple[str, Urgency]] = []
    with open_memory(now=box.now) as store:

        def look(number: int) -> tuple[str, ...]:
            survey = surveyor.take(f"s{number}", box.now).survey
            with store.transaction() as tx:
                view = view_of(tx, survey, box.now)
                tx.take_survey(survey, box.now)
                found = follow_forecasts(tx, view, WindowPlan(), box.now)
                rules.extend((f.rule, f.urgency) for f in found)
                return tuple(f.sentence for f in found)

        assert look(0) == ()
        box.pull("e")
        box.drives["i"] = replace(box.drives["f"], letter="i", serial="N1", wwn=0x5000A16000000001)
        box.add("md0", "i", 100_000)
        for number in range(1, 40):  # two hours' worth at full pace, then a tenth of it
            box.pass_time(timedelta(minutes=20))
            hours = number / 3 if number < 8 else 7 / 3 + (number - 7) / 30
            rebuild_to(box, hours)
            said = look(number)
        assert said
        assert "later than forecast" in said[0]
        box.finish("md0")
        box.pass_time(timedelta(minutes=20))
        assert look(99) == ()
    assert {rule for rule, _ in rules} == {RULE}
    assert RULE in CATALOGUE
