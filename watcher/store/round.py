"""The survey at hand, as the parts that take it in need to know it."""

from __future__ import annotations

from dataclasses import dataclass

from watcher.facts.identity import BoxId


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """Whose survey it is, when it was taken, and when the box was last heard of before it."""

    box: BoxId
    taken_at: int  # microseconds since 1970
    heard: int  # the same; -1: never
    now: int = 2**63 - 1  # when it is taken in; what is known from later than that is of a clock
    # that was set back since

    def known_until(self, moment: int) -> int:
        """Give a moment of the past; one from the future, before the clock was set back, is now.

        So that what is seen after the step still takes the place of what was seen before it.
        """
        return moment if moment <= self.now else min(moment, self.taken_at)

    def missed(self, last_present: int) -> bool:
        """Tell whether something seen last at that time was missing from the survey before.

        What was retired and comes back after that is in use again; what was retired and never
        left stays retired.
        """
        return last_present < self.heard <= self.taken_at
