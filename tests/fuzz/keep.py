"""Chooses the small corpus that is stored: ``python -m tests.fuzz.keep WORK``.

For each target it takes inputs of the work folder, the shortest first, as long as each runs lines
of the program that none before it ran, up to a number and a size; and all that once broke it
(``crash-TARGET-…``). Only our own inputs are there: outputs of our own runs, changed by the fuzzer.
"""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Iterable
from pathlib import Path
from types import FrameType
from typing import Any

from tests.fuzz.targets import TARGETS, run

CORPUS = Path(__file__).resolve().parent / "corpus"
MOST_FOR_ONE = 12
LONGEST_BYTES = 3000
TRIED = 400
"""So many of the shortest inputs of a target are looked at."""


def lines_of(target: str, data: bytes) -> set[tuple[str, int]]:
    """Give the lines of the program that an input runs."""
    seen: set[tuple[str, int]] = set()

    def trace(frame: FrameType, event: str, argument: object) -> Any:
        del argument
        if "/watcher/" not in frame.f_code.co_filename:
            return None
        if event == "line":
            seen.add((frame.f_code.co_filename, frame.f_lineno))
        return trace

    sys.settrace(trace)
    try:
        run(target, data)
    finally:
        sys.settrace(None)
    return seen


def choose(target: str, inputs: Iterable[bytes]) -> list[bytes]:
    """Choose inputs that together run as many lines as all of them do, within the limits."""
    candidates = sorted({data for data in inputs if len(data) <= LONGEST_BYTES}, key=len)[:TRIED]
    covered = {data: lines_of(target, data) for data in candidates}
    seen: set[tuple[str, int]] = set()
    kept: list[bytes] = []
    while candidates and len(kept) < MOST_FOR_ONE:
        best = max(candidates, key=lambda data: (len(covered[data] - seen), -len(data)))
        if not covered[best] - seen:
            break
        kept.append(best)
        seen |= covered[best]
    return kept


def main(work: Path) -> None:
    """Write the corpus."""
    total = 0
    for target in TARGETS:
        inputs = [path.read_bytes() for path in (work / target).glob("*") if path.is_file()]
        if not inputs:
            continue
        kept = choose(target, inputs)
        kept += [path.read_bytes() for path in sorted(work.glob(f"crash-{target}-*"))]
        place = CORPUS / target
        place.mkdir(parents=True, exist_ok=True)
        for data in kept:
            (place / hashlib.sha256(data).hexdigest()[:12]).write_bytes(data)
        total += sum(map(len, kept))
        print(f"{target:16} {len(kept):3} kept of {len(inputs)}")
    print(f"{total} bytes")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
