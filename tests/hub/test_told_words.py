"""What a box told of itself, in words."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from tests.hub.stage import NOW
from tests.hub.test_telling import DRILL, FULL, RESTORE, SPARE
from watcher.facts.readiness import ToldReadiness
from watcher.hub.told_words import MOST_LINES, NOT_TOLD, told_in_short, told_words
from watcher.store.readiness import ToldRow


def said(told: ToldReadiness | None) -> list[tuple[str, str]]:
    row = ToldRow(at=NOW if told is not None else None, told=told)
    return list(told_words(row, NOW, lambda at: f"{at:%d %b}"))


def day(at: datetime) -> str:
    return f"{at:%d %b}"


def test_what_was_never_told_is_said_so_and_no_empty_shelf() -> None:
    assert said(None) == [("its own shelf, drills and restores", NOT_TOLD)]
    assert said(ToldReadiness()) == [
        ("on its own shelf", "nothing"),
        ("last drill", "none"),
        ("restore", "none was tried"),
        ("told", day(NOW)),
    ]


def test_spares_drills_and_restores_are_told_with_what_they_are_worth() -> None:
    lines = dict(said(FULL.told))
    assert lines["on its own shelf"].startswith("spare 1, Altair")
    assert "drawer: proven" in lines["on its own shelf"]
    assert lines["last drill"] == f"{day(NOW)} on tank: answered after 3 min"
    assert lines["restore"] == f"photos from nas, {day(NOW)}: it worked"


def test_nobody_who_answered_and_a_restore_that_failed_are_told() -> None:
    told = replace(
        FULL.told,
        drills=(replace(DRILL, answered_at=None),),
        restores=(RESTORE, replace(RESTORE, worked=False)),
    )
    lines = dict(said(told))
    assert lines["last drill"].endswith("nobody answered")
    assert lines["restore"].endswith("it did not work")


def test_a_long_shelf_is_cut_and_counted() -> None:
    shelf = tuple(replace(SPARE, number=n) for n in range(1, MOST_LINES + 4))
    lines = [text for what, text in said(replace(FULL.told, shelf=shelf)) if "shelf" in what]
    assert len(lines) == MOST_LINES + 1
    assert lines[-1] == "and 3 spares more"


def test_in_short_an_empty_shelf_is_nothing_and_one_that_was_not_told_is_said_so() -> None:
    def short(told: ToldReadiness | None) -> str:
        return told_in_short(ToldRow(at=NOW if told else None, told=told), NOW, day)

    assert short(None) == "Its own shelf, its drills and its restores are not told by this box."
    assert short(ToldReadiness()) == "On its own shelf: nothing. Last drill: none."
    assert short(FULL.told).startswith("On its own shelf: 1 spare, 1 proven. Last drill: ")
