"""What is asked ahead is what a survey asks, no more and no less."""

from __future__ import annotations

import pytest

from tests.hub import stage
from watcher.facts.survey import Survey
from watcher.hub.shop import Arrived, Shop
from watcher.store.hub import EnrolledBox
from watcher.store.transaction import Transaction


class Noting(Shop):
    """A shop that notes what was asked ahead of a survey and was of no use to it."""

    vain: frozenset[str] = frozenset()

    def _take(self, tx: Transaction, box: EnrolledBox, survey: Survey, came: Arrived) -> bool:
        told = super()._take(tx, box, survey, came)
        self.vain = tx.db.asked_in_vain
        return told


@pytest.mark.parametrize("lost", [0, 1])
def test_nothing_is_asked_in_vain_of_a_box_that_was_heard_before(lost: int) -> None:
    at = Noting(stage.new_store(), stage.shop().clients)
    token = stage.enrol(at, "press")
    for number in range(3):
        stage.report(at, token, stage.look(number, lost=lost))
    assert at.vain == frozenset()
