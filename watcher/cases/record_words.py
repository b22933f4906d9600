"""What the lines of a case's record are called, for a person at a terminal or on a page."""

from __future__ import annotations

RECORD_WORDS = {
    "opened": "opened",
    "came-back": "came back",
    "finding-joined": "joined",
    "finding-cleared": "holds no more",
    "acknowledged": "taken",
    "also-answered": "also answered",
    "answer-ended": "the time of the answer is up",
    "answer-broken": "taken, but got worse",
    "handed-over": "handed over",
    "all-clear": "all clear",
    "recovery-opened": "way back begins",
    "recovery-loss": "way back: lost",
    "recovery-joined": "way back: drive in",
    "recovery-new-drive": "way back: new drive",
    "recovery-misfit": "way back: does not fit",
    "recovery-step": "way back",
    "recovery-detour": "way back: came in between",
    "recovery-detour-over": "way back: that is over",
    "recovery-closed": "way back ends",
}


def say_record(what: str) -> str:
    """Say in a few words what a line of the record is; unknown kinds by their own name."""
    if what.startswith("told-"):
        return "told"
    return RECORD_WORDS.get(what, what.replace("-", " "))
