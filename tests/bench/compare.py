"""``python -m tests.bench.compare OLD.json NEW.json``: what changed between two runs of the bench.

Ratios against the bare alternative are compared where both runs have them, for they do not depend
on the machine; otherwise the values. A tenth more is said to be worse; status 1 when anything is.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

NOTICED = 0.10
"""Our choice: runs on a busy machine differ by less than that in processor time."""


def changes(old: dict[str, Any], new: dict[str, Any]) -> list[tuple[str, str, float | None]]:
    """Give each promise with what became of it, and the change as a share where there is one."""
    before = {row["name"]: row for row in old["rows"]}
    after = {row["name"]: row for row in new["rows"]}
    found: list[tuple[str, str, float | None]] = []
    for name in {**before, **after}:
        if name not in before or name not in after:
            found.append((name, "new" if name in after else "not measured any more", None))
            continue
        one, other = before[name], after[name]
        key = "ratio" if one["ratio"] and other["ratio"] else "value"
        change = other[key] / one[key] - 1 if one[key] else 0.0
        worse = -change if other["least"] is not None else change
        word = "worse" if worse > NOTICED else "better" if worse < -NOTICED else "the same"
        found.append((name, word, change))
    return found


def main(paths: list[str]) -> int:
    """Print the comparison."""
    old, new = (json.loads(Path(path).read_text(encoding="utf-8")) for path in paths)
    found = changes(old, new)
    for name, word, change in found:
        print(f"{name:38} {word:22} {'' if change is None else f'{change:+.0%}'}")
    return 1 if any(word == "worse" for _, word, _ in found) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
