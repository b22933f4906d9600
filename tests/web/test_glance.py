"""A box at a glance: what is blind is as visible as what is wrong."""

from __future__ import annotations

from dataclasses import replace

from tests.store.made import BOX, HOUR, NOW, pool, reading, survey, unread
from watcher.facts.drive import Unread
from watcher.facts.survey import Blindness
from watcher.store.database import open_memory
from watcher.web.glance import Glance, Look, danger, glance_of


def seen(*surveys: object) -> Glance:
    store = open_memory(now=NOW)
    with store.transaction() as tx:
        for number, one in enumerate(surveys):
            tx.take_survey(one, NOW + HOUR * number)  # type: ignore[arg-type] # surveys of a test
        return glance_of(tx, BOX, ())


def test_a_box_that_was_never_heard_of_is_not_a_box_without_trouble() -> None:
    assert seen() == Glance(box=BOX, taken_at=None)


def test_every_reason_for_not_reading_is_told_from_the_others() -> None:
    looks = {why: seen(survey("s", missing=(unread(1, why),))).seats[0].look for why in Unread}
    assert looks.pop(Unread.ASLEEP) is Look.ASLEEP
    assert looks.pop(Unread.VANISHED) is Look.GONE
    assert set(looks.values()) == {Look.BLIND}


def test_what_cannot_be_seen_is_listed_but_not_what_only_sleeps() -> None:
    blind = Blindness(source="zfs", why=Unread.TOOL_MISSING, detail="no zpool", remedy="install it")
    found = seen(
        replace(
            survey("s", missing=(unread(1, Unread.HUNG), unread(2, Unread.ASLEEP))), blind=(blind,)
        )
    )
    assert [(h.detail, h.remedy) for h in found.hidden] == [
        ("it is hung", ""),
        ("no zpool", "install it"),
    ]


def test_a_drive_that_is_not_in_the_survey_any_more_is_shown_as_gone() -> None:
    first = survey("a", drives=(reading(1, bay="1"), reading(2, bay="2")))
    second = survey("b", NOW + HOUR, drives=(reading(1, NOW + HOUR, bay="1"),))
    found = seen(first, second)
    assert [(s.name, s.look) for s in found.seats] == [("bay 1", Look.QUIET), ("bay 2", Look.GONE)]


def test_a_bay_whose_drive_was_replaced_shows_the_new_one_only() -> None:
    first = survey("a", drives=(reading(1, bay="1"),))
    second = survey("b", NOW + HOUR, drives=(reading(9, NOW + HOUR, bay="1"),))
    assert [s.serial for s in seen(first, second).seats] == ["X0009"]


def test_drives_without_a_bay_are_not_lost() -> None:
    found = seen(survey("s", drives=(reading(1), reading(2, bay="top left"))))
    assert [s.name for s in found.loose] == ["sdb"]
    assert len(found.seats) == 2


def test_the_least_protected_pool_comes_first() -> None:
    pools = [pool(lost=n, bears=2, name=str(n)) for n in (0, 1, 2, 3)]
    assert [p.name for p in sorted(pools, key=danger)] == ["3", "2", "1", "0"]
