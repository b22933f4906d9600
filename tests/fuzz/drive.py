"""Coverage-guided fuzzing by hand, with atheris (which is no dependency: pip install atheris).

``python -m tests.fuzz.seeds WORK`` first, then ``python -m tests.fuzz.drive WORK SECONDS
[TARGET…]``: each target runs in a process of its own for its share of the time, with a limit of
memory and of time for one input. What it finds goes to ``WORK/TARGET``, what breaks it to
``WORK/crash-…``. At the end one line for each target says how many inputs were tried. ``python -m
tests.fuzz.keep WORK`` then chooses the small corpus that is stored.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

MEMORY_MIB = 1024
"""Of a whole fuzzing process; libFuzzer ends one that grows beyond it, and tells the input."""
ONE_INPUT_SECONDS = 20
LONGEST_BYTES = 16384


def fuzz_one(target: str, words: list[str]) -> None:
    """Fuzz one target in this process."""
    import atheris  # noqa: PLC0415 - only by hand

    with atheris.instrument_imports(include=["watcher"]):
        from tests.fuzz.targets import run  # noqa: PLC0415
    atheris.Setup([target, *words], lambda data: run(target, data))
    atheris.Fuzz()


def main() -> int:
    """Fuzz several, one after the other."""
    if sys.argv[1] == "--one":
        fuzz_one(sys.argv[2], sys.argv[3:])
        return 0
    from tests.fuzz.targets import TARGETS  # noqa: PLC0415

    work, seconds = Path(sys.argv[1]), float(sys.argv[2])
    names = sys.argv[3:] or list(TARGETS)
    total = broken = 0
    for name in names:
        (work / name).mkdir(parents=True, exist_ok=True)
        done = subprocess.run(
            [
                *(sys.executable, "-m", "tests.fuzz.drive", "--one", name),
                *(f"-max_total_time={max(1, round(seconds / len(names)))}", "-print_final_stats=1"),
                *(f"-rss_limit_mb={MEMORY_MIB}", f"-timeout={ONE_INPUT_SECONDS}"),
                *(f"-max_len={LONGEST_BYTES}", f"-artifact_prefix={work}/crash-{name}-"),
                str(work / name),
            ],
            capture_output=True,
            text=True,
            errors="replace",
            check=False,
        )
        count = re.search(r"number_of_executed_units:\s*(\d+)", done.stderr)
        peak = re.search(r"peak_rss_mb:\s*(\d+)", done.stderr)
        tried = int(count[1]) if count else 0
        total += tried
        broken += done.returncode != 0
        tail = "" if done.returncode == 0 else f"  BROKE ({done.returncode})"
        print(f"{name:16} {tried:10,} tried  {peak[1] if peak else '?':>5} MiB{tail}", flush=True)
        if done.returncode:
            print("\n".join(done.stderr.strip().splitlines()[-25:]), flush=True)
    print(f"{'together':16} {total:10,} tried, {broken} targets broke")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
