"""What one look gives. A record of its own, so that whoever only takes it in loads no reader."""

from __future__ import annotations

from dataclasses import dataclass

from watcher.facts.survey import Survey
from watcher.readers.kernel_log import Position


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """A survey, and how far the kernel log was read for it."""

    survey: Survey
    position: Position | None
    more_log: bool = False  # there is more of it to read at once
