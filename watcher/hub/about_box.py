"""What a hub finds out about a box beside what the box sees: told to the shop. Pure."""

from __future__ import annotations

import shlex
from datetime import datetime

from watcher.facts.finding import Evidence, Finding, Urgency
from watcher.facts.identity import BoxId, Subject, SubjectKind, about_source
from watcher.hub.quiet import SOURCE
from watcher.notify.words import cut
from watcher.store.hub import EnrolledBox

_WHY_LONGEST = 120  # characters; all of it is in the evidence


def stuck_finding(box: BoxId, why: str, now: datetime) -> Finding:
    """Say that the cases of a box stand still by a fault of ours, in the hub's own book."""
    return Finding(
        rule="cases-stand-still",
        subject=about_source(f"{SOURCE}: the cases of {box}"),
        label=f"the cases of {box}",
        urgency=Urgency.TODAY,
        sentence=f"This hub has a fault of its own with the cases of {box}: nobody is reminded of "
        "them, and what is new there is told to nobody.",
        next_step=f"Look at them now, here and on the box: midwatch cases --box {shlex.quote(box)} "
        "Then update midwatch on the hub.",
        observed_at=now,
        evidence=(Evidence(what="fault", value=why),),
    )


def not_taken(box: EnrolledBox, why: str, now: datetime) -> Finding:
    """Say that a box is there and its surveys cannot be taken in, and what is wrong with them."""
    said = f": {cut(why, _WHY_LONGEST).rstrip('.')}" if why.strip() else ""
    return Finding(
        rule="survey-not-taken",
        subject=Subject(kind=SubjectKind.BOX, key=box.box),
        label=box.box,
        urgency=Urgency.TODAY,
        sentence=f"The box reports, and this hub cannot take in what it sends{said}. What happens "
        "on its drives cannot be seen from here.",
        next_step="Update midwatch here and there. The box alerts by itself until its surveys are "
        "taken in again; look there with: midwatch cases",
        observed_at=now,
        evidence=(Evidence(what="why", value=why),),
    )


def second_sender(box: EnrolledBox, now: datetime) -> Finding:
    """Say that two machines send as one box."""
    return Finding(
        rule="two-senders",
        subject=Subject(kind=SubjectKind.BOX, key=box.box),
        label=box.box,
        urgency=Urgency.TODAY,
        sentence="Another machine sends as this box: a copy of it, an old one that still runs, or "
        "one set back to an older image. What that sends is not taken in.",
        next_step="Find the other machine. Give it a code of its own (midwatch hub invite, then "
        "midwatch join), or stop its watch. If there is none, somebody has the token of this box: "
        "midwatch hub revoke, and join it with a new code.",
        observed_at=now,
        evidence=(Evidence(what="last address", value=box.address or "not known"),),
    )
