"""What is asked of the watch by time: as often as the rhythm says, also a new one."""

from __future__ import annotations

import queue
from datetime import timedelta

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
