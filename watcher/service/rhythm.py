"""What is asked of the watch, and how often by itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler


class Word(StrEnum):
    """What can be asked of the loop."""

    SURVEY = "survey"
    DEEP = "deep-survey"
    UPKEEP = "upkeep"
    CATCH_UP = "catch-up"  # upkeep, when the last one is longer ago than the rhythm has it
    HEARTBEAT = "heartbeat"
    RELOAD = "reload"
    STOP = "stop"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rhythm:
    """How often things are done."""

    survey: timedelta = timedelta(minutes=10)
    deep: timedelta = timedelta(hours=24)
    upkeep: timedelta = timedelta(hours=24)
    heartbeat: timedelta | None = None

    @property
    def every(self) -> dict[Word, timedelta]:
        """What is asked of the loop, and how often."""
        spans = {Word.SURVEY: self.survey, Word.DEEP: self.deep, Word.UPKEEP: self.upkeep}
        if self.heartbeat is not None:
            spans[Word.HEARTBEAT] = self.heartbeat
        return spans


class Schedule:
    """Says each word as often as a rhythm wants it."""

    def __init__(self, rhythm: Rhythm, say: Callable[[Word], None]) -> None:
        """Begin silent; ``say`` is called from a thread of the scheduler."""
        self.rhythm = rhythm
        self._say = say
        self._scheduler = BackgroundScheduler(
            timezone="UTC",
            executors={"default": ThreadPoolExecutor(1)},
            # a late run is better than none, and one is enough however many were missed
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None},
        )

    def start(self) -> None:
        """Begin to say the words."""
        for word, span in self.rhythm.every.items():
            self._add(word, span)
        self._scheduler.start()

    def keep(self, rhythm: Rhythm) -> None:
        """Go by a new rhythm; what it leaves as it was is not begun anew."""
        before, after = self.rhythm.every, rhythm.every
        self.rhythm = rhythm
        for word in before.keys() - after.keys():
            self._scheduler.remove_job(word.value)
        for word, span in after.items():
            if before.get(word) != span:
                self._add(word, span)

    def follow(self, now: datetime) -> None:
        """Let no word wait longer than its span, also when the clock was set back.

        The scheduler waits for a moment of the wall clock: set back by a year, as where a machine
        starts with a wrong clock, it would say nothing for a year.
        """
        for word, span in self.rhythm.every.items():
            job = self._scheduler.get_job(word.value)
            if job is not None and job.next_run_time - now > span:
                job.modify(next_run_time=now + span)

    def stop(self) -> None:
        """Say nothing any more."""
        self._scheduler.shutdown(wait=False)

    def _add(self, word: Word, span: timedelta) -> None:
        """Have a word said from now on so often."""
        self._scheduler.add_job(
            self._say,
            "interval",
            args=(word,),
            seconds=span.total_seconds(),
            id=word.value,
            replace_existing=True,
        )
