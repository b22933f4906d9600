"""Which signs a drive need not be asked for: those that rest on what it does not show.

Most drives are sound, and a hub judges hundreds of thousands of readings an hour. So what a drive
shows is put together once, and the signs to ask it for are looked up by that. It is no memory of
the last survey: the same reading is always asked for the same signs. That a sign which is left out
would have found nothing is what its ``Needs`` promise, and what the tests of this module hold.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from functools import lru_cache

from watcher.facts.finding import Finding
from watcher.rules.look import (
    Look,
    Needs,
    PerDrive,
    SignCheck,
    finding_about,
    looks,
    silent_looks,
)
from watcher.rules.rule import Rule
from watcher.rules.tuning import Tuning
from watcher.rules.view import View

LOGGED = "kernel-log"
"""Stands among what a drive shows when the kernel log speaks of it."""

Asked = tuple[tuple[tuple[str, SignCheck], ...], Mapping[SignCheck, None]]
"""The rules to ask with their signs, and the signs that are left out."""


class Asking:
    """Runs the rules that look at one drive at a time."""

    def __init__(self, rules: Iterable[Rule]) -> None:
        """Take the rules that look at one drive at a time."""
        self._rules = tuple(
            (rule.check, rule.needs) for rule in rules if isinstance(rule.check, PerDrive)
        )
        self._silent = tuple(check for check, _ in self._rules if check.silent_too)
        self._zero_tells = frozenset(
            metric for _, needs in self._rules if needs is not None for metric in needs.known
        )
        self._asked = lru_cache(maxsize=4096)(self._choose)

    def findings(self, view: View, tuning: Tuning) -> Iterator[Finding]:
        """Give what holds of each drive, in the order of the drives."""
        for look in looks(view, tuning):
            asked, left_out = self._asked(self.shown(look))
            look.leave_out(left_out)
            for name, sign in asked:
                found = look.found(sign)
                if found is not None:
                    yield finding_about(view, name, look.reading.identity.drive, found)
        for look in silent_looks(view, tuning):
            for check in self._silent:
                found = look.found(check.sign)
                if found is not None:
                    yield finding_about(view, check.rule, look.reading.identity.drive, found)

    def left_out(self, look: Look) -> Iterable[SignCheck]:
        """Name the signs for which a drive need not be asked."""
        return self._asked(self.shown(look))[1]

    def shown(self, look: Look) -> frozenset[str]:
        """Put together what a drive shows that any sign rests on."""
        zero_tells = self._zero_tells
        shown: list[str] = [m for m, value in look.reading.metrics if value or m in zero_tells]
        shown += look.others
        if look.is_logged:
            shown.append(LOGGED)
        return frozenset(shown)

    def _choose(self, shown: frozenset[str]) -> Asked:
        """Choose the signs to ask a drive for by what it shows."""
        asked: list[tuple[str, SignCheck]] = []
        left_out: list[SignCheck] = []
        for check, needs in self._rules:
            if needs is None or not shown.isdisjoint(_wanted(needs)):
                asked.append((check.rule, check.sign))
            else:
                left_out.append(check.sign)
        return tuple(asked), dict.fromkeys(left_out)


def _wanted(needs: Needs) -> frozenset[str]:
    """Name all of which one must be shown for a sign to find anything."""
    logged = (LOGGED,) if needs.logged else ()
    return frozenset((*needs.counted, *needs.known, *needs.others, *logged))
