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
from watcher.notify.message_facts import CaseExtras, PoolLine, Watched
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


@pytest.mark.parametrize(
    ("kind", "said"),
    [
        (NoticeKind.ANSWER_ENDED, "ada had it until {until}."),
        (NoticeKind.TAKEN, "ada has it until {until}; you need not act."),
    ],
)
def test_the_time_that_is_named_is_that_of_who_has_the_case_and_not_of_who_also_answered(
    kind: NoticeKind, said: str
) -> None:
    hour = timedelta(hours=1)
    answers = (
        Answer(by="ada", at=NOW - 2 * hour, until=NOW),
        Answer(by="ben", at=NOW - hour, until=NOW + 9 * hour),
    )
    up = Scene(
        item=item(kind, Urgency.NOW, about="ada"),
        case=replace(case(7, about_pool(ORCHARD), "orchard", MARGIN_GONE), answers=answers),
        extras=CaseExtras(),
        box="attic",
        zone=OSLO,
        now=NOW,
    )
    assert said.format(until=up.when(NOW)) in opening_of(up)


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


def test_a_digest_names_the_worst_pools_first_each_in_its_words_and_counts_the_rest() -> None:
    """Five are named; a pool whose margin nobody knows stands above one that lost some of it."""
    pools = (
        PoolLine(name="a", protection=Protection.WHOLE, margin=2, full_margin=2),
        PoolLine(name="b", protection=Protection.THINNED, margin=1, full_margin=2),
        PoolLine(name="c", protection=Protection.UNKNOWN),
        PoolLine(name="d", protection=Protection.BARE, margin=0, full_margin=1),
        PoolLine(name="e", protection=Protection.BROKEN),
    )

    def lines(*shown: PoolLine) -> list[str]:
        watched = Watched(drives=9, pools=shown, notes=("n",) * 3, blind=("x", "y", "z"))
        digest = Scene(
            item=item(NoticeKind.DIGEST, Urgency.NOTE, number=0),
            case=None,
            extras=CaseExtras(watched=watched),
            box="attic",
            zone=OSLO,
            now=NOW,
        )
        return opening_of(digest)

    assert lines(*pools) == [
        "9 drives, 5 pools, 3 notes. 3 things we cannot see.",
        "e: broken, data is lost or out of reach",
        "d: no margin, the next loss costs data",
        "c: margin not known",
        "b: margin 1 of 2, not full",
        "a: margin 2 of 2",
        "Cannot see: x",
        "Cannot see: y",
        "Note: n",
        "Note: n",
        "That you read this shows that messages reach you.",
    ]
    assert "and 2 more pools" in lines(*pools, pools[0], pools[0])


def test_what_returned_says_how_often_it_came() -> None:
    came = replace(case(7, about_pool(ORCHARD), "orchard", MARGIN_GONE), reopens=2)
    again = Scene(
        item=item(NoticeKind.RETURNED, Urgency.NOW),
        case=came,
        extras=CaseExtras(),
        box="attic",
        zone=OSLO,
        now=NOW,
    )
    assert opening_of(again)[1] == f"It came 3 times since {again.when(came.opened_at)}."
