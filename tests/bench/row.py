"""One figure of one promise, and the word that it cannot be had here."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One figure of one promise."""

    name: str
    value: float
    unit: str
    most: float | None = None  # the target: at most
    least: float | None = None  # or at least
    bare: float | None = None  # the alternative, in the same unit
    bare_is: str = ""

    @property
    def ratio(self) -> float | None:
        """Give the value against the bare alternative."""
        return None if not self.bare else self.value / self.bare

    @property
    def is_met(self) -> bool | None:
        """Tell whether the target is met; None where there is none."""
        if self.most is not None:
            return self.value <= self.most
        return None if self.least is None else self.value >= self.least


class Absent(Exception):
    """What a probe needs is not here; the sentence says what."""
