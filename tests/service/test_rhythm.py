"""What is asked of the watch by time: as often as the rhythm says, also a new one."""

from __future__ import annotations

import queue
from datetime import datetime, timedelta

import pytest

from watcher.service.clock import raw_wall_clock
from watcher.service.rhythm import Rhythm, Schedule, Word

SOON, LATE = timedelta(milliseconds=20), timedelta(days=9)


def test_each_word_has_its_span_and_no_heartbeat_is_said_where_none_is_wanted() -> None:
    assert Rhythm().every.keys() == {Word.SURVEY, Word.DEEP, Word.UPKEEP}
    assert Rhythm(heartbeat=SOON).every[Word.HEARTBEAT] == SOON


def test_words_are_said_again_and_again_until_the_rhythm_changes_or_the_end() -> None:
    said: queue.SimpleQueue[Word] = queue.SimpleQueue()
    schedule = Schedule(Rhythm(survey=SOON, deep=LATE, upkeep=LATE), said.put)
    schedule.start()
    assert [said.get(timeout=20) for _ in range(3)] == [Word.SURVEY] * 3
    schedule.keep(Rhythm(survey=LATE, deep=LATE, upkeep=LATE, heartbeat=SOON))
    while (word := said.get(timeout=20)) is Word.SURVEY:
        continue
    assert word is Word.HEARTBEAT
    schedule.keep(Rhythm(survey=LATE, deep=SOON, upkeep=LATE))
    while (word := said.get(timeout=20)) is Word.HEARTBEAT:
        continue
    assert word is Word.DEEP
    schedule.stop()


@pytest.mark.parametrize("back", [timedelta(hours=1), timedelta(days=1000)])
def test_a_clock_that_is_set_back_silences_no_word(back: timedelta) -> None:
    """A machine may start with a clock that is years ahead and be set right minutes later."""
    rhythm = Rhythm(heartbeat=timedelta(minutes=5))
    schedule = Schedule(rhythm, lambda _word: None)
    schedule.start()
    try:
        now = raw_wall_clock() - back
        schedule.follow(now)
        for word, span in rhythm.every.items():
            waits = next_of(schedule, word) - now
            assert timedelta(0) < waits <= span, word
        assert next_of(schedule, Word.SURVEY) - now == rhythm.survey
        later = {word: next_of(schedule, word) for word in rhythm.every}
        schedule.follow(now + timedelta(minutes=2))
        assert {word: next_of(schedule, word) for word in rhythm.every} == later, "no rhythm moves"
    finally:
        schedule.stop()


def next_of(schedule: Schedule, word: Word) -> datetime:
    job = schedule._scheduler.get_job(word.value)
    assert job is not None
    moment = job.next_run_time
    assert isinstance(moment, datetime)
    return moment
