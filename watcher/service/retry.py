"""When a message that did not arrive is tried again. Pure."""

from __future__ import annotations

from datetime import datetime, timedelta

FIRST_GAP = timedelta(seconds=30)
"""Our choice: most failures are a lost connection or a server that restarts, over in seconds."""
LONGEST_GAP = timedelta(minutes=15)
"""Our choice: after an outage a message is late by at most this; and a dead server is bothered
about a hundred times a day."""
PERMANENT_GAP = timedelta(hours=1)
"""When the receiver said no for good, only a change of settings or at the receiver helps; the
message is kept and tried now and then. Our choice."""
OURS_GAP = timedelta(seconds=2)
"""When our own sender died the way itself is not in doubt; doubles as well. Our choice."""
SPREAD = 0.2
"""Share by which a gap is shortened or lengthened, so that many boxes do not come back at once."""


def next_try(
    attempt: int,
    now: datetime,
    chance: float,
    *,
    permanent: bool = False,
    ours: bool = False,
) -> datetime:
    """Give when to try again after attempt number ``attempt`` (1 is the first) failed.

    The gap doubles from 30 s (2 s when the failure was ``ours``) to 15 min; it is an hour when the
    receiver refused for good. ``chance`` lies in 0 to 1 and spreads it by a fifth.
    """
    if attempt < 1:
        raise ValueError("attempts are counted from 1")
    if not 0.0 <= chance <= 1.0:
        raise ValueError("chance lies between 0 and 1")
    first = OURS_GAP if ours else FIRST_GAP
    gap = PERMANENT_GAP if permanent else min(first * (1 << min(attempt - 1, 16)), LONGEST_GAP)
    return now + gap * (1 - SPREAD + 2 * SPREAD * chance)
