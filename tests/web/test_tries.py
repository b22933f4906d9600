from datetime import timedelta

from tests.web.stage import stage_at
from watcher.web.tries import MOST_FOR_A_NAME, MOST_FROM_A_PLACE, MOST_KEPT, SPAN, Tries

NOW = stage_at().clock.now()


def test_a_name_may_be_tried_so_often_and_then_must_wait_until_the_span_is_over() -> None:
    tries = Tries()
    for _ in range(MOST_FOR_A_NAME):
        assert tries.wait_for("ada", "1", NOW) is None
        tries.failed("ada", "1", NOW)
    assert tries.wait_for("ADA", "2", NOW) == SPAN
    assert tries.wait_for("bob", "2", NOW) is None
    assert tries.wait_for("ada", "1", NOW + SPAN) is None


def test_a_place_may_try_so_often_whatever_the_names() -> None:
    tries = Tries()
    for number in range(MOST_FROM_A_PLACE):
        tries.failed(f"name {number}", "1", NOW)
    assert tries.wait_for("another", "1", NOW + timedelta(minutes=1)) == SPAN - timedelta(minutes=1)
    assert tries.wait_for("another", "2", NOW) is None


def test_who_gets_in_begins_anew() -> None:
    tries = Tries()
    for _ in range(MOST_FOR_A_NAME):
        tries.failed("ada", "1", NOW)
    tries.succeeded("Ada")
    assert tries.wait_for("ada", "1", NOW) is None


def test_what_is_remembered_is_bounded() -> None:
    tries = Tries()
    for number in range(2 * MOST_KEPT):
        tries.failed(f"n{number}", f"a{number}", NOW)
    assert len(tries._failed) == MOST_KEPT
