"""What a rule is: its words for the owner, its thresholds, and the function that looks."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from watcher.rules.look import Check, Needs, SignCheck
from watcher.rules.tuning import Threshold


class Kind(StrEnum):
    """What a rule is about."""

    DRIVE = "drive"
    POOL = "pool"
    SIGHT = "sight"  # what we cannot see
    OWN = "own"  # written by the owner
    READINESS = "readiness"  # how the box is prepared
    WATCH = "watch"  # about the watch itself


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A named test of the facts, with all that an owner may ask about it."""

    name: str  # kebab-case: what happened
    kind: Kind
    sentence: str  # one sentence for the owner
    reads: tuple[str, ...]  # the facts it reads
    thresholds: tuple[Threshold, ...]
    urgency: str  # how urgent, and how it grows
    what_to_do: str
    usual_cause: str  # what usually turns out to be behind it
    quiet_when: str  # look-alikes at which it says nothing
    sources: tuple[str, ...]
    check: Check
    sign: SignCheck | None = None  # for rules that look at one drive
    needs: Needs | None = None  # what that needs to find anything; None: not known

    def threshold(self, name: str) -> Threshold:
        """Give a threshold by its name; KeyError when the rule has none of that name."""
        for threshold in self.thresholds:
            if threshold.name == name:
                return threshold
        raise KeyError(f"{self.name} has no threshold {name!r}")
