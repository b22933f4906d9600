"""Fitted numbers only: how much each sign multiplies the rate at which drives fail.

Preliminary values from published work (Pinheiro, Weber, Barroso, FAST 2007 sections 3.5.1 to
3.5.4), until tests/bench/fit_signs.py writes fitted ones.
"""

from __future__ import annotations

from typing import Final

FITTED_ON: Final = "published factors, not fitted yet"
FITTED_AT: Final = "2026-11-25"
FITTED_BY: Final = "tests/bench/fit_signs.py"

# class -> rows of (age from this many years, failures per drive-year, low, high)
BASE: Final[dict[str, tuple[tuple[float, float, float, float], ...]]] = {
    "rotating": ((0.0, 0.014, 0.012, 0.016), (4.0, 0.03, 0.02, 0.04)),
    "flash": ((0.0, 0.008, 0.006, 0.010),),
    "unknown": ((0.0, 0.014, 0.008, 0.024),),
}

# sign -> rows of (value from, factor, low, high); below the first row the factor is 1
FACTORS: Final[dict[str, tuple[tuple[float, float, float, float], ...]]] = {
    "pending": ((1, 16.0, 8.0, 32.0),),
    "reallocated": ((1, 4.0, 2.0, 8.0), (100, 14.0, 7.0, 28.0)),
    "reallocated-rise": ((1, 4.0, 2.0, 8.0),),
    "unreadable": ((1, 10.0, 5.0, 20.0),),
}

# model -> (failures per drive-year of all drives of it, low, high)
MODELS: Final[dict[str, tuple[float, float, float]]] = {}
# by how much drives with no sign fail less often than all drives of their model
SIGNLESS_SHARE: Final = 0.5
