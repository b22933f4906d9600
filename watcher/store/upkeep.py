"""Keeping the history small: once a day, what is old is put together or dropped.

Each point in time of a moving series is kept in one resolution only, so that charts read them one
after the other. Everything has a bound, and what is dropped first at the bound is said here.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from watcher.store.connection import Values
from watcher.store.drive_intake import SPAN
from watcher.store.part import Part
from watcher.store.statements import statements
from watcher.store.times import DAY, HOUR, floor_to, from_micros, to_micros

FINE_FOR = timedelta(days=14)  # spans of ten minutes
HOURLY_FOR = timedelta(days=120)
DAILY_FOR = timedelta(days=5 * 366)
COUNTERS_EXACT_FOR = timedelta(days=120)
"""After that a counter keeps the last, the highest and the lowest value of each day, for ever: one
that moves with every reading would otherwise outgrow all else. Our choice, as are all of these."""

SURVEYS_KEPT = timedelta(days=30)
OBSERVATIONS_KEPT = timedelta(days=14)
NOISE_KEPT = timedelta(days=14)
EVENTS_KEPT = timedelta(days=5 * 366)
EVENTS_MOST = 20_000
"""Kernel events of one box; harmless ones go first, then those about the link, then the oldest."""

NOTICES_KEPT = timedelta(days=400)
NOTICES_MOST = 50_000
WORK_KEPT = timedelta(days=400)
CASES_KEPT = timedelta(days=5 * 366)


EVERY_DRIVE = 2**62
DRIVES_AT_ONCE = 20
ROWS_AT_ONCE = 20_000
"""What one part of the roll-up of a hub works on; our choice: a few tenths of a second, so that
surveys do not wait for longer. 20 drives have 17,000 spans of ten minutes a day."""

_PROGRESS = "rolled-up-to"
_ENDED = "rolled-up-at"


_MANY = (
    ("drop-surveys", SURVEYS_KEPT),
    ("drop-polls", DAILY_FOR),
    ("drop-observations", OBSERVATIONS_KEPT),
)
_FEW = (
    ("drop-noise", NOISE_KEPT),
    ("drop-events", EVENTS_KEPT),
    ("drop-notices", NOTICES_KEPT),
    ("drop-pool-work", WORK_KEPT),
    ("drop-cases", CASES_KEPT),
    ("drop-records", CASES_KEPT),
)


class UpkeepPart(Part):
    """Roll up and drop."""

    def roll_up(
        self, now: datetime, *, events_most: int = EVENTS_MOST, notices_most: int = NOTICES_MOST
    ) -> None:
        """Put together and drop what is old. Running it twice, or late, does no harm."""
        self._roll_drives(now, first=-1, until=EVERY_DRIVE)
        for name, age in _MANY:
            self._drop_old(name, now - age, EVERY_DRIVE)
        self._end(now, events_most, notices_most)
        self._keep_small(_ENDED, str(to_micros(now)))

    def roll_up_some(
        self, now: datetime, *, drives: int = DRIVES_AT_ONCE, rows: int = ROWS_AT_ONCE
    ) -> bool:
        """Do a part of the same for many boxes, and remember how far it went; True: more is left.

        The parts of one pass count by the moment at which it began.
        """
        first, began = self._progress(now)
        row = self.db.one(statements("upkeep")["drives-after"], {"first": first, "count": drives})
        if row["last"] is not None:
            self._roll_drives(began, first=first, until=row["last"])
            self._keep_small(_PROGRESS, f"{row['last']} {to_micros(began)}")
            return True
        for name, age in _MANY:
            if self._drop_old(name, began - age, rows) == rows:
                self._keep_small(_PROGRESS, f"{first} {to_micros(began)}")
                return True
        self._end(began, EVENTS_MOST, NOTICES_MOST)
        self.db.change(statements("book")["forget"], {"box": "", "name": _PROGRESS})
        self._keep_small(_ENDED, str(to_micros(now)))
        return False

    def rolled_up_at(self, now: datetime) -> datetime | None:
        """Give when the last pass ended; None while one over many boxes goes on.

        The first time nothing is old yet: that counts as an end. So does an end that is yet to
        come: the clock was set back since, and until then nothing would be rolled up.
        """
        if self._small(_PROGRESS) is not None:
            return None
        ended = self._small(_ENDED)
        if ended is None or int(ended) > to_micros(now):
            self._keep_small(_ENDED, str(to_micros(now)))
            return now
        return from_micros(int(ended))

    def _progress(self, now: datetime) -> tuple[int, datetime]:
        """Give the drive up to which the pass at hand went, and when it began."""
        known = self._small(_PROGRESS)
        if known is None:
            return -1, now
        drive, _, began = known.partition(" ")
        return int(drive), from_micros(int(began))

    def _roll_drives(self, now: datetime, *, first: int, until: int) -> None:
        """Move what is old of some drives to the next place or resolution, in whole spans of it."""
        sql = statements("upkeep")
        some: Values = {"first": first, "until": until}
        settled = {**some, "before": floor_to(to_micros(now), SPAN)}
        self.db.change(sql["settle"], settled)
        self.db.change(sql["drop-settled"], settled)
        for step, width, age in ((0, HOUR, FINE_FOR), (1, DAY, HOURLY_FOR)):
            before = floor_to(to_micros(now - age), width)
            wider: Values = {"from_step": step, "to_step": step + 1, "width": width}
            self.db.change(sql["roll-up"], {**some, **wider, "before": before})
            self.db.change(sql["drop-spans"], {**some, "step": step, "before": before})
        self.db.change(sql["drop-spans"], {**some, "step": 2, "before": to_micros(now - DAILY_FOR)})
        exact_until = _exact_until(now)
        thinned = min(int(self._small("thinned-until") or 0), exact_until)
        self.db.change(
            sql["thin-changes"], {**some, "before": exact_until, "after": thinned, "width": DAY}
        )

    def _drop_old(self, name: str, before: datetime, most: int) -> int:
        """Drop old rows of a large table; give how many."""
        values: Values = {"before": to_micros(before), "most": most}
        return self.db.change(statements("upkeep")[name], values)

    def _end(self, now: datetime, events_most: int, notices_most: int) -> None:
        """Do what is done once, after all drives."""
        sql = statements("upkeep")
        self._keep_small("thinned-until", str(_exact_until(now)))
        for name, age in _FEW:
            self.db.change(sql[name], {"before": to_micros(now - age)})
        for row in self.db.rows(sql["count-events"]):
            too_many = row["events"] - events_most
            if too_many > 0:
                self.db.change(sql["drop-most-events"], {"box": row["box"], "count": too_many})
        too_many = self.db.one(sql["count-ended-notices"])["notices"] - notices_most
        if too_many > 0:
            self.db.change(sql["drop-most-notices"], {"count": too_many})
        self.db.change(sql["drop-attempts"])

    def _small(self, name: str) -> str | None:
        """Give what upkeep remembers under a name."""
        row = self.db.one(statements("book")["kept"], {"box": "", "name": name})
        return None if row is None else str(row["text"])

    def _keep_small(self, name: str, text: str) -> None:
        self.db.change(statements("book")["keep"], {"box": "", "name": name, "text": text})


def _exact_until(now: datetime) -> int:
    return floor_to(to_micros(now - COUNTERS_EXACT_FOR), DAY)
