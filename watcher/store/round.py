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

    def missed(self, last_present: int) -> bool:
        """Tell whether something seen last at that time was missing from the survey before.

        What was retired and comes back after that is in use again; what was retired and never
        left stays retired.
        """
        return last_present < self.heard <= self.taken_at
