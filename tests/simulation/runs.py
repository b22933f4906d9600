"""Run one seed from beginning to end: ``python -m tests.simulation.runs SEED [full]``."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from random import Random

from tests.simulation.chance import (
    FIRST_LINES,
    STARTS,
    as_scenario,
    next_lines,
    policy_of,
    settle_down,
)
from tests.simulation.checks import check, figures
from tests.simulation.stage import Stage
from tests.simulation.words import do

HAPPENINGS = 14


class Failed(AssertionError):
    """A seed broke a promise; the text is the scenario that shows it."""


def run_seed(seed: int, *, full: bool = False, on_disk: bool = False) -> dict[str, float]:
    """Play one seed and hold it against the promises. Raises Failed with the scenario."""
    chance = Random(seed)
    start = chance.choice(STARTS)
    policy = policy_of(chance, start)
    lines: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        stage = Stage(
            start=start, policy=policy, full=full, folder=Path(folder) if on_disk else None
        )
        try:
            for line in FIRST_LINES:
                lines.append(line)
                do(stage, line)
            for _ in range(HAPPENINGS):
                for line in next_lines(stage, chance):
                    lines.append(line)
                    do(stage, line)
            for line in settle_down(stage):
                lines.append(line)
                do(stage, line)
            found = figures(check(stage))
        except Exception as error:
            scenario = as_scenario(seed, stage, lines)
            kind = type(error).__name__
            raise Failed(f"seed {seed}: {kind}: {error}\n{policy}\n{scenario}") from error
        finally:
            stage.disk.close()
    return found | {"kills": stage.kills, "failures": stage.failures}


if __name__ == "__main__":
    print("seed", sys.argv[1])
    print(run_seed(int(sys.argv[1]), full="full" in sys.argv, on_disk="disk" in sys.argv))
    print("seed", sys.argv[1])
