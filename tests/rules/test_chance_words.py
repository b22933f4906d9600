"""The chance of failing in a person's words."""

from __future__ import annotations

from tests.rules.build import T0, identity
from watcher.facts.drive import Metric
from watcher.rules.chance_words import NO_PROMISE, say_chance
from watcher.rules.risk import Chance, Part, chance_30_days


def test_a_chance_names_each_sign_and_what_it_cannot_tell() -> None:
    """Figure, interval, base, signs, limits."""
    parts = (
        Part(sign="pending", factor=5.55, low=3.52, high=8.28),
        Part(sign="reallocated", factor=2.3, low=1.4, high=3.5),
    )
    chance = Chance(p=0.123, low=0.04, high=0.31, parts=parts, base=0.0104)
    assert say_chance(chance) == (
        "Of drives like it, about 12% fail within 30 days (95% interval 4% to 31%).",
        "Without signs such drives fail at 1% a year.",
        "What raised it:",
        "  sectors in doubt              5.55 times as likely (3.5 to 8.3)",
        "  sectors moved to the reserve   2.3 times as likely (1.4 to 3.5)",
        NO_PROMISE,
    )


def test_a_tiny_chance_is_not_called_about_under() -> None:
    """``under 0.1%`` says itself that it is no exact figure."""
    tiny = Chance(p=0.0004, low=0.0002, high=0.002, parts=(), base=0.005)
    assert say_chance(tiny)[0].startswith("Of drives like it, under 0.1% fail")


def test_no_sign_is_never_called_healthy() -> None:
    """It says so, and that this proves nothing."""
    lines = say_chance(
        chance_30_days(
            identity=identity("a"), metrics={Metric.PENDING_SECTORS: 0}, traces={}, now=T0
        )
    )
    assert "It shows no sign." in lines
    assert lines[-1] == NO_PROMISE
    assert "healthy" not in " ".join(lines)
