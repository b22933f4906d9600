"""The chance of failing in a person's words: how likely, what raised it, what it cannot tell."""

from __future__ import annotations

from typing import Final

from watcher.facts.units import say_percent
from watcher.rules.risk import SIGN_WORDS, Chance

NO_PROMISE: Final = (
    "At most seven in ten drives that fail give warning in what they count. No sign does not mean "
    "that the drive is sound."
)
"""Pinheiro et al., FAST 2007 section 3.5.6 (over 36% with none), and the open field data behind the
fitted table (31 to 42%)."""


def _about(share: float) -> str:
    """Say a share that is not exact; ``under 0.1%`` says so itself."""
    words = say_percent(share)
    return words if words.startswith(("under", "over")) else f"about {words}"


def say_chance(chance: Chance) -> tuple[str, ...]:
    """Say a chance in lines: the figure with its interval, each sign's share, the limits."""
    head = (
        f"Of drives like it, {_about(chance.p)} fail within 30 days "
        f"(95% interval {say_percent(chance.low)} to {say_percent(chance.high)})."
    )
    base = f"Without signs such drives fail at {say_percent(chance.base)} a year."
    if not chance.parts:
        return (head, base, "It shows no sign.", NO_PROMISE)
    width = max(len(SIGN_WORDS[part.sign]) for part in chance.parts)
    signs = tuple(
        f"  {SIGN_WORDS[part.sign]:{width}}  {part.factor:4.3g} times as likely "
        f"({part.low:.2g} to {part.high:.2g})"
        for part in chance.parts
    )
    return (head, base, "What raised it:", *signs, NO_PROMISE)
