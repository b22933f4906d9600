"""When a box speaks for itself: the hub has not taken in a survey for too long.

The box always judges; its messages only wait. A message that the box decided waits until the hub
has taken in the survey behind it, and then is not sent, for the hub speaks. When that does not
happen in time it leaves by the box's own ladder. Pure: the moments are arguments.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from watcher.facts.finding import Evidence, Finding, Urgency
from watcher.facts.identity import about_source
from watcher.facts.units import say_span

HUB = "hub"
"""The name of the hub among the sources of a box."""

SET_ASIDE = "surveys for the hub"
"""The name of what is handed over, among the sources of a box."""

SET_ASIDE_SHOWN = timedelta(hours=24)
"""How long the loss of one is told of, here and at the hub; our choice: until somebody looked."""

AWAY_WEIGHS_AFTER = timedelta(hours=24)
"""A hub that is away for so long is a matter for today. Our choice: a line that is down over night
comes back, and while the box sees no trouble nothing is lost by it."""


def release_at(taken_at: datetime | None, now: datetime, alone_after: timedelta) -> datetime:
    """Say from when a message decided now may leave by itself.

    ``taken_at`` is when the hub last took a survey in; None: it never has, and then nothing is
    held back. A moment in the future is of a clock that was set back since, and counts as now.
    """
    if taken_at is None:
        return now
    return max(now, min(taken_at, now) + alone_after)


def is_alone(taken_at: datetime | None, now: datetime, alone_after: timedelta) -> bool:
    """Tell whether the box speaks for itself."""
    return release_at(taken_at, now, alone_after) <= now


def alone_since(
    taken_at: datetime | None, now: datetime, alone_after: timedelta
) -> datetime | None:
    """Say since when the box speaks for itself, or None while the hub does."""
    if taken_at is None or not is_alone(taken_at, now, alone_after):
        return None
    return taken_at + alone_after


def hub_findings(
    taken_at: datetime | None,
    now: datetime,
    alone_after: timedelta,
    trouble: str,
    *,
    refuses: bool = False,
) -> tuple[Finding, ...]:
    """Say that the hub takes nothing in, while it does not. ``trouble`` is what it said last.

    With ``refuses`` it is there and takes nothing from this box, which does not pass by itself.
    """
    if not is_alone(taken_at, now, alone_after):
        return ()
    away = None if taken_at is None else now - taken_at
    weighs = refuses or (away is not None and away >= AWAY_WEIGHS_AFTER)
    since = "yet" if away is None else f"for {say_span(away)}"
    return (
        Finding(
            rule="hub-away",
            subject=about_source(HUB),
            label="the hub",
            urgency=Urgency.TODAY if weighs else Urgency.NOTE,
            sentence=f"The hub has not taken in a survey of this box {since}; the box alerts by "
            "itself meanwhile.",
            next_step=f"The hub is there and refuses. It says: {trouble}"
            if refuses
            else "See whether the box reaches the hub, and whether the hub runs. The surveys "
            "are kept and handed over when it is back.",
            observed_at=now,
            evidence=(Evidence(what="last answer", value=trouble or "none"),),
        ),
    )


def set_aside_finding(at: datetime, why: str, now: datetime) -> Finding:
    """Say that the hub lacks a survey of this box, which it could not take in."""
    return Finding(
        rule="survey-not-taken",
        subject=about_source(SET_ASIDE),
        label="the hub",
        urgency=Urgency.NOTE,
        sentence=f"The hub could not take in the survey of {at:%d %b %H:%M} UTC, and it is sent no "
        "more. The box has judged it; what it had to say of it leaves from the box itself.",
        next_step="Update midwatch on the hub and here. The history on this box is complete.",
        observed_at=now,
        evidence=(Evidence(what="what the hub said", value=why),),
    )


def closing_words(box: str, taken_at: datetime | None) -> str:
    """Give the last sentence of a message that leaves without the hub."""
    if taken_at is None:
        return f"Sent by {box} itself: its hub has taken in nothing yet."
    return f"Sent by {box} itself: its hub has taken in nothing since {taken_at:%d %b %H:%M} UTC."
