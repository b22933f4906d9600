"""Run every bench, one after the other: ``python -m tests.bench [NAME …]``.

Each prints its own table of figures and targets; at the end stands which of them met its targets.
The benches that measure on open data say so and skip where it is absent. ``fit_signs`` is left
out: it does not measure, it writes the fitted table. Ends with status 1 when a target is missed.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

WRITES = {"fit_signs"}


def benches() -> list[str]:
    """Name every module here that can be run."""
    folder = Path(__file__).parent
    return sorted(
        path.stem
        for path in folder.glob("[!_]*.py")
        if "\ndef main(" in path.read_text(encoding="utf-8") and path.stem not in WRITES
    )


def main(names: list[str]) -> int:
    """Run the named benches, all of them without a name."""
    known = benches()
    strange = [name for name in names if name not in known]
    if strange:
        print(f"No bench is called {', '.join(strange)}; known are: {', '.join(known)}.")
        return 2
    rows = []
    for name in names or known:
        print(f"\n== {name}", flush=True)
        began = time.monotonic()
        ended = subprocess.run([sys.executable, "-m", f"tests.bench.{name}"], check=False)
        rows.append((name, ended.returncode, time.monotonic() - began))
    print()
    for name, status, seconds in rows:
        print(f"{name:<18}{'met or skipped' if status == 0 else 'MISSED':<16}{seconds:7.1f} s")
    return int(any(status for _, status, _ in rows))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
