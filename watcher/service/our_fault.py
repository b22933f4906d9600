"""How a fault of ours is named, for whoever mends it."""

from __future__ import annotations

from pathlib import PurePath
from traceback import extract_tb

MOST_WORDS = 200
"""Letters of what the fault itself says; our choice: some list all that they were given."""


def name_fault(fault: Exception) -> str:
    """Give the kind of a fault that was raised, its words and where it was raised."""
    place = extract_tb(fault.__traceback__)[-1]
    words = str(fault)[:MOST_WORDS]
    return f"{type(fault).__name__}: {words}, {PurePath(place.filename).name}:{place.lineno}"
