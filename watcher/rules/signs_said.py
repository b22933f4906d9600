"""What a list of drives says of one of them in a few words: its signs, notes among them.

A drive with an old counter that only the regular message tells of is not one with no sign.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from watcher.facts.finding import Finding, Urgency

NO_SIGN: Final = "no sign"

NO_SIGN_OF_THE_DRIVE: Final = frozenset(
    {
        *("self-test-overdue", "heat-swinging", "power-cut-habit"),
        *("answer-doubtful", "asleep-too-long", "drive-never-answers-smart"),
    }
)
"""Rules whose notes tell how a drive is kept or asked, not how it is."""


def signs_said(findings: Iterable[Finding]) -> str:
    """Say the signs of one drive: those to act on, else those that are only to know, else none."""
    mine = tuple(findings)
    grave = [f.rule for f in mine if f.urgency > Urgency.NOTE]
    if grave:
        return _words(grave)
    slight = [f.rule for f in mine if f.rule not in NO_SIGN_OF_THE_DRIVE]
    return f"to know: {_words(slight)}" if slight else NO_SIGN


def _words(rules: Iterable[str]) -> str:
    return "; ".join(dict.fromkeys(rule.replace("-", " ") for rule in rules))
