import pytest

from watcher.facts.identity import BoxId
from watcher.store.round import Round


@pytest.mark.parametrize(
    ("last_present", "heard", "taken_at", "missed"),
    [
        (10, 10, 20, False),  # in the survey before
        (5, 10, 20, True),  # not in it
        (-1, -1, 20, False),  # the first survey of all
        (-1, 10, 20, True),  # never seen on a known box
        (5, 30, 20, False),  # this survey is late: it says nothing of the one before
    ],
)
def test_what_the_survey_before_lacked_was_missed(
    last_present: int, heard: int, taken_at: int, *, missed: bool
) -> None:
    here = Round(box=BoxId("orchard"), taken_at=taken_at, heard=heard)
    assert here.missed(last_present) is missed
