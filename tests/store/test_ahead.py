"""What is asked ahead is what a survey asks, no more and no less."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.hub import stage
from tests.hub.conftest import each_ground  # noqa: F401 - a fixture
from watcher.facts.drive import Metric
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


@pytest.mark.usefixtures("each_ground")
def test_a_second_survey_within_ten_minutes_joins_the_spans_of_the_first() -> None:
    at = stage.shop()
    token = stage.enrol(at, "press")
    times = [0, 1, 1.2, 1.4, 2]  # in rounds of ten minutes
    for number, when in enumerate(times):
        look = stage.look(number)
        taken = look.taken_at + (when - number) * stage.EVERY
        drives = tuple(
            replace(r, observed_at=taken, metrics=((Metric.TEMPERATURE_CELSIUS, 30 + number),))
            for r in look.drives
        )
        stage.report(at, token, replace(look, taken_at=taken, drives=drives))
    with at.store.snapshot() as tx:
        for drive in look.drives:
            points = tx.series(drive.identity.drive, Metric.TEMPERATURE_CELSIUS, stage.NOW, taken)
            found = [(p.lowest, p.highest, p.last, p.readings) for p in points]
            assert found == [(30, 30, 30, 1), (31, 33, 33, 3), (34, 34, 34, 1)]
