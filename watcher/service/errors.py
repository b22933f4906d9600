"""What can go wrong around the settings.

ConfigError     the owner's file: every fault with its key, its line and what would be right
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing that is wrong in the settings file."""

    key: str  # "people[1].targets[1].url"; counted from 1; "" for the file as a whole
    line: int | None  # counted from 1; None when the file could not be read
    wrong: str  # what is wrong, a clause; never shows a secret
    right: str  # what would be right, a clause; "" when there is nothing to say
    may_be_meant: bool = False  # it can be gone by as it stands, and older versions did

    def __str__(self) -> str:
        """Give the fault on one line."""
        where = f"line {self.line}: " if self.line is not None else ""
        name = f"{self.key}: " if self.key else ""
        said = f"{where}{name}{self.wrong}" + (f"; {self.right}" if self.right else "")
        return "".join(letter if letter.isprintable() else "?" for letter in said)  # for a terminal


class ConfigError(Exception):
    """The settings cannot be used. Nothing was started or changed."""

    exit_status = 3

    def __init__(self, path: str, faults: tuple[Fault, ...]) -> None:
        """Keep all faults, in the order of the file."""
        self.path = path
        self.faults = tuple(sorted(faults, key=lambda fault: fault.line or 0))
        lines = "\n".join(f"  {fault}" for fault in self.faults)
        count = len(self.faults)
        things = "1 thing is" if count == 1 else f"{count} things are"
        super().__init__(f"{path}: {things} wrong in the settings:\n{lines}")

    @property
    def may_be_meant(self) -> bool:
        """Whether the settings can be gone by as they stand, for all that is said of them."""
        return all(fault.may_be_meant for fault in self.faults)
