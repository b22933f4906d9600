"""The title and the first line of each kind."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.notify.phone_scenes import (
    ALL,
    MARGIN_GONE,
    NOW,
    ORCHARD,
    OSLO,
    PENDING_5,
    Asked,
    case,
    item,
)
from watcher.cases.state import Answer, NoticeKind
from watcher.facts.finding import Urgency
from watcher.facts.identity import about_pool
from watcher.facts.pool import Protection
from watcher.notify.message_facts import CaseExtras
from watcher.notify.openings import opening_of, title_of
from watcher.notify.scene import Scene
from watcher.notify.words import WHEN

CALM = {NoticeKind.TAKEN, NoticeKind.EASED, NoticeKind.ALL_CLEAR, NoticeKind.DIGEST}


def scene(asked: Asked) -> Scene:
    (only,) = asked.items
    return Scene(
        item=only,
        case=asked.cases.get(only.case),
        extras=asked.extras.get(only.case, CaseExtras()),
        box="attic",
        zone=OSLO,
        now=NOW,
    )


@pytest.mark.parametrize("asked", [a for a in ALL if len(a.items) == 1], ids=lambda a: a.name)
def test_a_title_says_where_and_how_soon_when_somebody_must_act(asked: Asked) -> None:
    shown = scene(asked)
    title = title_of(shown)
    assert "attic" in title
    if shown.item.kind not in CALM and shown.item.urgency is not Urgency.NOTE:
        assert title.startswith(WHEN[shown.item.urgency])
    assert all(line for line in opening_of(shown))
    assert opening_of(shown)


@pytest.mark.parametrize("kind", NoticeKind)
def test_every_kind_has_words_even_when_nothing_is_known(kind: NoticeKind) -> None:
    bare = Asked(name="x", items=(ALL[0].items[0],))
    shown = scene(bare)
    bare_item = type(shown.item)(kind=kind, case=0, number=1, urgency=Urgency.TODAY)
    shown = Scene(item=bare_item, case=None, extras=CaseExtras(), box="attic", zone=OSLO, now=NOW)
    assert title_of(shown)
    assert opening_of(shown)[0]


def test_the_time_that_is_up_is_that_of_who_had_the_case_and_not_of_who_also_answered() -> None:
    hour = timedelta(hours=1)
    answers = (
        Answer(by="ada", at=NOW - 2 * hour, until=NOW),
        Answer(by="ben", at=NOW - hour, until=NOW + 9 * hour),
    )
    up = Scene(
        item=item(NoticeKind.ANSWER_ENDED, Urgency.NOW, about="ada"),
        case=replace(case(7, about_pool(ORCHARD), "orchard", MARGIN_GONE), answers=answers),
        extras=CaseExtras(),
        box="attic",
        zone=OSLO,
        now=NOW,
    )
    assert opening_of(up)[1] == f"ada had it until {up.when(NOW)}."


def test_an_end_names_the_gravest_that_is_over_and_not_a_note_that_still_stands() -> None:
    note = replace(PENDING_5, urgency=Urgency.NOTE)
    made = case(7, about_pool(ORCHARD), "orchard", MARGIN_GONE, note)
    held = tuple(replace(h, cleared_at=NOW) if h.finding == MARGIN_GONE else h for h in made.held)
    over = Scene(
        item=item(NoticeKind.ALL_CLEAR, Urgency.NOW),
        case=replace(made, held=held),
        extras=CaseExtras(protection=Protection.WHOLE),
        box="attic",
        zone=OSLO,
        now=NOW,
    )
    assert opening_of(over)[-1] == f"It was: {MARGIN_GONE.sentence}"
