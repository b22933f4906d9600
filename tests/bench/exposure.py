"""How long the exposure answers take: run ``python -m tests.bench.exposure``.

The promises: a full answer for a pool of 24 drives within 50 ms, the plan over the years with its
habits and its simulation within 3 s.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from time import process_time

from tests.exposure.pools import NOW, TB, fading_life, life, name, parity, pool
from watcher.exposure.estimate import estimate
from watcher.exposure.window import WindowPlan
from watcher.exposure.years import over_the_years
from watcher.facts.pool import Pool, RedundancySet

DRIVES = {
    **{name(n): life(n, age_hours=1000.0 + 900 * n) for n in range(24)},
    name(3): fading_life(3, 10.0),
    name(4): fading_life(4, 40.0),
}
PLAN = WindowPlan(without_backup_bytes=2 * TB)


def pools() -> dict[str, Pool]:
    """Give pools of 24 unlike drives, whole and with a drive lost."""
    mirrors = RedundancySet(
        name="stripe", bears=0, parts=tuple(parity(2, 1, (7,), start=n) for n in range(0, 24, 2))
    )
    return {
        "24 drives, two parities, whole, two fading": pool(parity(24, 2)),
        "24 drives, two parities, one lost": pool(parity(24, 2, (7,))),
        "24 drives, one parity, one lost": pool(parity(24, 1, (7,))),
        "24 drives, three parities, one lost": pool(parity(24, 3, (7,))),
        "12 mirrors, one leg lost": pool(mirrors),
    }


def median_ms(what: Callable[[], object], times: int = 9) -> float:
    """Give the median processor time of several runs, in milliseconds."""
    taken = []
    for _ in range(times):
        begin = process_time()
        what()
        taken.append((process_time() - begin) * 1000)
    return sorted(taken)[times // 2]


def main() -> None:
    """Print the table."""
    for words, subject in pools().items():
        took = median_ms(lambda one=subject: estimate(one, DRIVES, PLAN, NOW))  # type: ignore[misc]
        print(f"{words:48} {took:8.1f} ms")
    whole = pool(parity(24, 2), scrubbed_at=None)
    took = median_ms(
        lambda: over_the_years(whole, DRIVES, PLAN, NOW, chance=random.Random(1)), times=3
    )
    print(f"{'plan over the years, with its simulation':48} {took:8.1f} ms")


if __name__ == "__main__":
    main()
