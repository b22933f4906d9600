"""How often something may be tried: sign-ins above all. Kept in memory, bounded."""

from __future__ import annotations

import threading
from collections import OrderedDict
from datetime import datetime, timedelta

SPAN = timedelta(minutes=15)
MOST_FOR_A_NAME = 8
"""Failed tries for one name within ``SPAN``; our choice: enough for a tired person, and 770 a day
for a guesser, who needs years for a weak password of 12 characters."""

MOST_FROM_A_PLACE = 30
"""Failed tries from one address within ``SPAN``; our choice."""

MOST_KEPT = 4096
"""Names and addresses that are remembered; beyond it the oldest are forgotten."""


class Tries:
    """Counts what failed, by name and by address."""

    def __init__(self) -> None:
        """Begin with nothing counted."""
        self._failed: OrderedDict[str, list[datetime]] = OrderedDict()
        self._lock = threading.Lock()

    def wait_for(self, name: str | None, address: str, now: datetime) -> timedelta | None:
        """Give how long to wait before the next try, None when it may be made now.

        Without a name (a program shows a token, which nobody can guess) only the address counts:
        strangers who show wrong tokens must not keep everybody's programs out.
        """
        with self._lock:
            waits = [self._wait(f"from {address}", MOST_FROM_A_PLACE, now)]
            if name is not None:
                waits.append(self._wait(_of_name(name), MOST_FOR_A_NAME, now))
        return max((wait for wait in waits if wait is not None), default=None)

    def failed(self, name: str | None, address: str, now: datetime) -> None:
        """Count a failed try."""
        keys = [f"from {address}"] if name is None else [_of_name(name), f"from {address}"]
        with self._lock:
            for key in keys:
                self._failed.setdefault(key, []).append(now)
                self._failed.move_to_end(key)
                del self._failed[key][: -MOST_FROM_A_PLACE - 1]
            while len(self._failed) > MOST_KEPT:
                self._failed.popitem(last=False)

    def succeeded(self, name: str) -> None:
        """Forget the failed tries of a name."""
        with self._lock:
            self._failed.pop(_of_name(name), None)

    def _wait(self, key: str, most: int, now: datetime) -> timedelta | None:
        lately = [at for at in self._failed.get(key, ()) if at > now - SPAN]
        if len(lately) < most:
            return None
        return lately[-most] + SPAN - now


def _of_name(name: str) -> str:
    return f"name {name.casefold()[:100]}"
