"""Keeping the history small: once a day, what is old is put together or dropped.

Each point in time of a moving series is kept in one resolution only, so that charts read them one
after the other. Everything has a bound, and what is dropped first at the bound is said here.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from watcher.store.intake import SPAN
from watcher.store.part import Part
from watcher.store.statements import statements
from watcher.store.times import DAY, HOUR, floor_to, to_micros

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


class UpkeepPart(Part):
    """Roll up and drop."""

    def roll_up(
        self, now: datetime, *, events_most: int = EVENTS_MOST, notices_most: int = NOTICES_MOST
    ) -> None:
        """Put together and drop what is old. Running it twice, or late, does no harm."""
        self._roll_spans(now)
        sql = statements("upkeep")
        exact_until = floor_to(to_micros(now - COUNTERS_EXACT_FOR), DAY)
        thinned = self._since_last("thinned-until", exact_until)
        self.db.change(sql["thin-changes"], {"before": exact_until, "after": thinned, "width": DAY})
        for name, age in (
            ("drop-surveys", SURVEYS_KEPT),
            ("drop-polls", DAILY_FOR),
            ("drop-observations", OBSERVATIONS_KEPT),
            ("drop-noise", NOISE_KEPT),
            ("drop-events", EVENTS_KEPT),
            ("drop-notices", NOTICES_KEPT),
            ("drop-pool-work", WORK_KEPT),
            ("drop-cases", CASES_KEPT),
            ("drop-records", CASES_KEPT),
        ):
            self.db.change(sql[name], {"before": to_micros(now - age)})
        for row in self.db.rows(sql["count-events"]):
            too_many = row["events"] - events_most
            if too_many > 0:
                self.db.change(sql["drop-most-events"], {"box": row["box"], "count": too_many})
        too_many = self.db.one(sql["count-ended-notices"])["notices"] - notices_most
        if too_many > 0:
            self.db.change(sql["drop-most-notices"], {"count": too_many})
        self.db.change(sql["drop-attempts"])

    def _roll_spans(self, now: datetime) -> None:
        """Move what is old to the next place or resolution, in whole spans of that."""
        sql = statements("upkeep")
        settled = {"before": floor_to(to_micros(now), SPAN)}
        self.db.change(sql["settle"], settled)
        self.db.change(sql["drop-settled"], settled)
        for step, width, age in ((0, HOUR, FINE_FOR), (1, DAY, HOURLY_FOR)):
            before = floor_to(to_micros(now - age), width)
            self.db.change(
                sql["roll-up"],
                {"from_step": step, "to_step": step + 1, "width": width, "before": before},
            )
            self.db.change(sql["drop-spans"], {"step": step, "before": before})
        self.db.change(sql["drop-spans"], {"step": 2, "before": to_micros(now - DAILY_FOR)})

    def _since_last(self, name: str, until: int) -> int:
        """Give up to where a job went the last time, and remember up to where it goes now."""
        sql = statements("book")
        row = self.db.one(sql["kept"], {"box": "", "name": name})
        self.db.change(sql["keep"], {"box": "", "name": name, "text": str(until)})
        return 0 if row is None else min(int(row["text"]), until)
