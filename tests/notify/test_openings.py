"""The title and the first line of each kind."""

from __future__ import annotations

import pytest

from tests.notify.phone_scenes import ALL, NOW, OSLO, Asked
from watcher.cases.state import NoticeKind
from watcher.facts.finding import Urgency
from watcher.notify.message_facts import CaseExtras
from watcher.notify.openings import opening_of, title_of
from watcher.notify.scene import Scene
from watcher.notify.words import WHEN

CALM = {NoticeKind.TAKEN, NoticeKind.ALL_CLEAR, NoticeKind.DIGEST}


def scene(asked: Asked) -> Scene:
    (item,) = asked.items
    return Scene(
        item=item,
        case=asked.cases.get(item.case),
        extras=asked.extras.get(item.case, CaseExtras()),
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
    item = type(shown.item)(kind=kind, case=0, number=1, urgency=Urgency.TODAY)
    shown = Scene(item=item, case=None, extras=CaseExtras(), box="attic", zone=OSLO, now=NOW)
    assert title_of(shown)
    assert opening_of(shown)[0]
