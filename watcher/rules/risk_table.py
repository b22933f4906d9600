"""Fitted numbers only: base rates of failing, and by how much each sign multiplies them.

Written by tests/bench/fit_signs.py on 2026-11-25; do not edit by hand. Fitted on the open parts of:

* backblaze_fleet_2013 (2013-04-10 to 2013-05-19, all drives of a fleet, every day)
* backblaze_st12000_2020 (one model, 2020-03-01 and 2020-06-01, and the last days of the failed)
* backblaze_lastday_2019 (one laptop model, the last ten days)

Model rates: Backblaze lifetime data up to 2024 Q2 (afr_tables), and for the models of 2013 the
fleet itself up to the age that it saw. Rates of flash: Maneas et al., FAST 2020 (0.22% a year, 0.07
to 1.2%). Not fitted, for want of open data: log-media (Pinheiro et al., FAST 2007 section 3.5.1),
self-test (section 3.5.3, taken as alike), own-verdict (Murray et al., JMLR 6, 2005: 3 to 10% found
at 0.1% false), media-errors (our choice).
"""

from __future__ import annotations

from typing import Final

Rows = tuple[tuple[float, float, float, float], ...]
"""Rows of (from this value on, number, low, high); low and high are a 95% interval."""

FITTED_ON: Final = "backblaze_fleet_2013, backblaze_st12000_2020, backblaze_lastday_2019 (open)"
FITTED_AT: Final = "2026-11-25"
FITTED_BY: Final = "tests/bench/fit_signs.py"

# By how much drives with no sign fail less often than all drives of their model.
SIGNLESS_SHARE: Final = 0.673

# class -> failures per drive-year with no sign, from an age in years on
BASE: Final[dict[str, Rows]] = {
    "small": (
        (0.0, 0.0361, 0.024, 0.0522),
        (1.0, 0.0222, 0.0118, 0.038),
        (2.0, 0.0119, 0.00386, 0.0277),
        (3.0, 0.101, 0.0674, 0.147),
    ),
    "large": ((0.0, 0.0104, 0.00329, 0.0173),),
    "flash": ((0.0, 0.0022, 0.0007, 0.012),),
}

# sign -> factors, from a value of the sign on; below the first row it is 1
FACTORS: Final[dict[str, Rows]] = {
    "pending": ((1, 5.55, 3.52, 8.28),),
    "pending-rise": (
        (1, 1.15, 1, 1.95),
        (8, 1.53, 1, 2.36),
    ),
    "reallocated": (
        (16, 2.35, 1.42, 3.52),
        (256, 6.03, 2.82, 9.92),
        (1024, 7.4, 3.29, 13.5),
    ),
    "reallocated-rise": (
        (1, 1.26, 1, 2.09),
        (8, 2.84, 1.57, 5.44),
        (64, 5.61, 2.64, 11.2),
        (512, 6.35, 3.13, 14.4),
    ),
    "unreadable": ((1, 2.62, 1.55, 4.67),),
    "unreadable-rise": ((1, 6.51, 2.83, 14.3),),
    "timeouts-rise": ((1, 1.47, 1, 2.09),),
    "log-media": ((1, 39, 20, 78),),
    "self-test": ((1, 21, 10, 42),),
    "own-verdict": ((1, 50, 30, 100),),
    "media-errors": ((1, 4, 1, 16),),
}

# model -> failures per drive-year of all drives of it, from an age in years on
MODELS: Final[dict[str, Rows]] = {
    "HDS5C3030ALA630": (
        (0.0, 0.0153, 0.00497, 0.0313),
        (1.82, 0.0079, 0.00669, 0.00927),
    ),
    "HDS5C4040ALE630": (
        (0.0, 0.0127, 0.00154, 0.0353),
        (0.873, 0.00724, 0.00586, 0.00885),
    ),
    "HDS722020ALA330": (
        (0.0, 0.0151, 0.0049, 0.0309),
        (2.85, 0.0151, 0.0132, 0.0172),
    ),
    "HDS723030ALA640": (
        (0.0, 0.0397, 0.0108, 0.087),
        (1.96, 0.0178, 0.014, 0.0224),
    ),
    "HMS5C4040ALE640": ((0.0, 0.00507, 0.00446, 0.00574),),
    "HUH721212ALE600": ((0.0, 0.00497, 0.0038, 0.00638),),
    "HUH721212ALE604": ((0.0, 0.00917, 0.00829, 0.0101),),
    "HUH721212ALN604": ((0.0, 0.0157, 0.0147, 0.0167),),
    "HUH728080ALE600": ((0.0, 0.0102, 0.00801, 0.0128),),
    "MD04ABA400V": ((0.0, 0.0106, 0.0053, 0.019),),
    "MG07ACA14TA": ((0.0, 0.00983, 0.00932, 0.0104),),
    "MG07ACA14TEY": ((0.0, 0.0148, 0.00981, 0.0213),),
    "MG08ACA16TA": ((0.0, 0.0106, 0.00952, 0.0117),),
    "MG08ACA16TE": ((0.0, 0.0122, 0.0106, 0.0141),),
    "MG08ACA16TEY": ((0.0, 0.00942, 0.00784, 0.0112),),
    "MG10ACA20TE": ((0.0, 0.00542, 0.00335, 0.00828),),
    "MQ01ABF050": ((0.0, 0.172, 0.128, 0.227),),
    "ST10000NM0086": ((0.0, 0.0252, 0.0219, 0.029),),
    "ST12000NM0007": ((0.0, 0.0215, 0.0206, 0.0224),),
    "ST12000NM0008": ((0.0, 0.019, 0.0181, 0.02),),
    "ST12000NM001G": ((0.0, 0.00949, 0.00862, 0.0104),),
    "ST14000NM001G": ((0.0, 0.0138, 0.0127, 0.0151),),
    "ST14000NM0138": ((0.0, 0.0593, 0.053, 0.0662),),
    "ST16000NM001G": ((0.0, 0.00775, 0.00707, 0.00848),),
    "ST16000NM002J": ((0.0, 0.00562, 0.00153, 0.0144),),
    "ST3000DM001": (
        (0.0, 0.0588, 0.0354, 0.088),
        (1.28, 0.253, 0.241, 0.265),
    ),
    "ST31500341AS": ((0.0, 0.175, 0.098, 0.274),),
    "ST31500541AS": ((0.0, 0.137, 0.0875, 0.196),),
    "ST32000542AS": (
        (0.0, 0.0851, 0.0276, 0.174),
        (3.04, 0.082, 0.0564, 0.115),
    ),
    "ST33000651AS": (
        (0.0, 0.0345, 0.00418, 0.0962),
        (1.49, 0.0468, 0.0318, 0.0664),
    ),
    "ST4000DM000": ((0.0, 0.0259, 0.0252, 0.0266),),
    "ST4000DX000": ((0.0, 0.097, 0.077, 0.121),),
    "ST6000DX000": ((0.0, 0.00843, 0.00686, 0.0103),),
    "ST8000DM002": ((0.0, 0.0147, 0.0139, 0.0156),),
    "ST8000NM000A": ((0.0, 0.00285, 7e-05, 0.0159),),
    "ST8000NM0055": ((0.0, 0.0189, 0.018, 0.0197),),
    "WD10EADS": ((0.0, 0.0714, 0.0232, 0.146),),
    "WD30EFRX": ((0.0, 0.0465, 0.0399, 0.054),),
    "WD30EZRX": (
        (0.0, 0.0295, 0.00358, 0.0823),
        (1.47, 0.0536, 0.0336, 0.0812),
    ),
    "WD60EFRX": ((0.0, 0.038, 0.0297, 0.0478),),
    "WUH721414ALE6L4": ((0.0, 0.0038, 0.00313, 0.00457),),
    "WUH721816ALE6L0": ((0.0, 0.00487, 0.00343, 0.00672),),
    "WUH721816ALE6L4": ((0.0, 0.00321, 0.00261, 0.00389),),
    "WUH722222ALE6L4": ((0.0, 0.012, 0.00864, 0.0162),),
}
