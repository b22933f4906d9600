"""What is held for as long as a process lives and is connected, beside all transactions.

A lock of the leader, and a lock for each name under which a process takes something up. On a server
they end with the connection, and so prove that whoever held them can do nothing in this store any
more. That such a process does nothing elsewhere either is for itself to see to: by asking ``hold``
before it does.
"""

from __future__ import annotations

from hashlib import sha256
from typing import Protocol


class Locks(Protocol):
    """What a store is asked about them. All raise StoreError."""

    def leads(self) -> bool:
        """Tell whether this process is the one that minds the clock; it may become so by asking."""
        ...

    def hold(self, name: str) -> bool:
        """Hold a name; True: it was held since it was last asked for, without a break."""
        ...

    def is_held(self, name: str) -> bool:
        """Tell whether anybody holds a name now."""
        ...


class Alone:
    """A store in a file, which knows who is alive by other means."""

    def leads(self) -> bool:
        """Lead: there is nobody else."""
        return True

    def hold(self, name: str) -> bool:
        """Hold it without a break: there is nothing to break."""
        return bool(name)

    def is_held(self, name: str) -> bool:
        """Say that it is held: nothing proves that it is not."""
        return bool(name)


def key_of(name: str) -> int:
    """Give the number of the lock of a name: 64 bits of its hash, which tell names apart."""
    return int.from_bytes(sha256(name.encode()).digest()[:8], "big", signed=True)
