"""Prints the drawing of a recovery's steps from the table, for DEVELOPERS.md.

Run ``python -m tests.house.drawing`` from the top of the repository and put what it prints between
the two markers; a test compares them.
"""

from __future__ import annotations

from watcher.recovery.record import Step
from watcher.recovery.sights import Sight
from watcher.recovery.steps import TABLE

BEGIN = "<!-- drawn from watcher/recovery/steps.py -->"
END = "<!-- end of the drawing -->"


def draw() -> str:
    """Draw the table: a row for each sight, a column for each step, in each cell where it leads."""
    steps = [step for step in Step if step is not Step.WHOLE]
    heads = ["a survey shows", *(step.value for step in steps)]
    rows = [
        [
            sight.value,
            *("·" if TABLE[step, sight] is step else TABLE[step, sight].value for step in steps),
        ]
        for sight in Sight
    ]
    widths = [max(len(row[i]) for row in [heads, *rows]) for i in range(len(heads))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
             for row in [heads, ["-" * w for w in widths], *rows]]  # fmt: skip
    return "\n".join(["```", *lines, "```"])


if __name__ == "__main__":
    print(draw())
