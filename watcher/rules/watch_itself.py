"""What the watch finds out about itself: explained here, found in the service.

These findings do not come from a survey: the service makes them from what became of messages, of
its own history, of the hub. They are in the catalogue so that they can be looked up, silenced and
switched off like any other; asked about a survey they say nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from watcher.facts.finding import Finding
from watcher.rules.rule import Kind, Rule
from watcher.rules.tuning import Tuning
from watcher.rules.view import View

OURS: Final = "our choice: a watch that is impaired says so"


def found_elsewhere(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Say nothing about a survey: the service finds this."""
    del view, tuning
    yield from ()


def _rule(name: str, reads: str, urgency: str, words: tuple[str, str, str, str]) -> Rule:
    """Make a rule from its words: sentence, what to do, usual cause, quiet when."""
    sentence, what_to_do, usual_cause, quiet_when = words
    return Rule(
        name=name,
        kind=Kind.WATCH,
        sentence=sentence,
        reads=(reads,),
        thresholds=(),
        urgency=urgency,
        what_to_do=what_to_do,
        usual_cause=usual_cause,
        quiet_when=quiet_when,
        sources=(OURS,),
        check=found_elsewhere,
    )


RULES: Final = (
    _rule(
        "messages-do-not-arrive",
        "what became of messages by each way",
        "today.",
        (
            "Messages by one of the ways to a person do not arrive.",
            "Check its address in the settings, then run midwatch notify test.",
            "A changed password, a server that is down, an address that is not valid any more.",
            "Until three tries over a quarter of an hour have failed.",
        ),
    ),
    _rule(
        "state-not-written",
        "answers of the disk below the state folder",
        "today.",
        (
            "The history cannot be written; the watch goes on in memory.",
            "Make room on that disk, or see whether its drive is failing.",
            "A full disk, or one that was mounted read-only after an error.",
            "While another process only holds the database for a moment.",
        ),
    ),
    _rule(
        "history-was-damaged",
        "the check of the history at the start",
        "this week.",
        (
            "The history was damaged, was set aside, and a new one was begun.",
            "Look at the drive below the state folder; damage there may be its first sign.",
            "A drive or a memory that fails, or a machine that lost power in mid-write.",
            "Once it was told.",
        ),
    ),
    _rule(
        "rebuild-not-verified",
        "the recovery of the pool",
        "to know; this week when no check has ended for three days.",
        (
            "A pool is whole again, and nothing has read it through since.",
            "Start a check (scrub) of the pool.",
            "Nobody started one.",
            "When a check that ended after the rebuild found nothing.",
        ),
    ),
    _rule(
        "hub-away",
        "answers of the hub",
        "to know; today when it lasts, or when the hub is there and refuses the box.",
        (
            "The hub takes in no surveys; the box alerts by itself.",
            "See whether the box reaches the hub, and whether the hub runs.",
            "A line that is down, a hub that is being updated or went back to a backup.",
            "On a box that has no hub.",
        ),
    ),
    _rule(
        "many-boxes-quiet",
        "when each box was heard of last",
        "today.",
        (
            "Many boxes fell silent at about the same time.",
            "Look at what they share first: the line, the power, the hub itself.",
            "The hub's own line, or a power cut in one place.",
            "When only single boxes are quiet; each then has a case of its own.",
        ),
    ),
    _rule(
        "two-senders",
        "who sends the surveys of a box",
        "today.",
        (
            "Two senders report under the name of one box.",
            "Find out which is the real one; revoke the other's token and let it join anew.",
            "A box that was cloned, or restored from an image.",
            "While only one sender has reported lately.",
        ),
    ),
    _rule(
        "survey-not-taken",
        "what came of the surveys that a box sent",
        "today; on the box itself to know.",
        (
            "The box reports, and its hub cannot take in what it sends.",
            "Update midwatch on both; look on the box itself meanwhile.",
            "Versions too far apart, or a fault of the hub.",
            "Once the hub has taken in a survey of the box.",
        ),
    ),
    _rule(
        "cases-stand-still",
        "what becomes of the cases of each box as time passes",
        "today.",
        (
            "A hub has a fault of its own with the cases of one box.",
            "Look at them there and on the box; update midwatch on the hub.",
            "A fault of the program.",
            "On a box; and once the cases could be moved on.",
        ),
    ),
    _rule(
        "clock-differs",
        "the clocks of a box and its hub",
        "this week.",
        (
            "The clock of a box and that of its hub differ by more than two minutes.",
            "See which of the two is wrong, and whether its time service runs.",
            "A dead battery on the board, a time service that is off or not reached.",
            "When the box is of a version that does not say what its clock shows.",
        ),
    ),
    _rule(
        "forecast-worse",
        "the forecasts of a pool that lacks margin",
        "this week; today when the pool has no margin left. Grows with each worsening.",
        (
            "The way back to full margin takes longer than forecast, or losing data got likelier.",
            "See what slows the rebuild or which other drive frets; midwatch exposure tells more.",
            "Other work on the pool, a slow new drive, signs on another member.",
            "While no rebuild runs, for the end of the window; below a chance of one in a hundred.",
        ),
    ),
)
