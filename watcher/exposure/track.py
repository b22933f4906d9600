"""The speed curve of a disk: outer tracks are longer, so they are read faster.

With tracks of equal density and turns of equal length, the speed at the share ``x`` of the
capacity (0 outermost, 1 innermost) is ``v(x) = v_outer * sqrt(1 - (1 - r**2) * x)`` with
``r = v_inner / v_outer``. So the share of the data is not the share of the time: at r = 0.5, half
of the data has passed after 41.9% of the time.

``r`` is a parameter: about 0.5 by geometry and by the self-test time of a 16 TB drive, 0.60 to 0.75
measured on the drives of 1997 to 2000 (Van Meter, USENIX ATC 1997; Chung et al. 2000, second hand).
``r = 1`` is a drive of even speed: flash.
"""

from __future__ import annotations

import math

SECONDS_PER_HOUR = 3600.0  # spans are in hours here

INNER_TO_OUTER = 0.5
"""Speed of the innermost tracks over that of the outermost: geometry; see the module."""

EVEN = 1.0
"""The ratio of a drive that is equally fast everywhere."""


def speed_share(done: float, ratio: float) -> float:
    """Give the speed at ``done`` (0 to 1) as a share of the outermost speed."""
    return math.sqrt(1.0 - (1.0 - ratio * ratio) * done)


def track_time(done: float, ratio: float) -> float:
    """Give the time to reach ``done``, in units of the whole capacity at the outermost speed.

    The integral of one over :func:`speed_share`:
    ``2 * (1 - sqrt(1 - (1 - r**2) * x)) / (1 - r**2)``; the whole pass takes ``2 / (1 + r)``.
    """
    # The same with the root moved below the line, so that r = 1 needs no special case.
    return 2.0 * done / (1.0 + speed_share(done, ratio))


def time_share(done: float, ratio: float) -> float:
    """Give which share of the whole time has passed when the share ``done`` is through."""
    return track_time(done, ratio) / track_time(1.0, ratio)


def pass_hours(
    capacity_bytes: float,
    outer_bytes_per_second: float,
    ratio: float = INNER_TO_OUTER,
    limit_bytes_per_second: float | None = None,
) -> float:
    """Give the hours to read or write a whole drive once, from the outermost track in.

    ``limit_bytes_per_second`` caps the speed wherever the drive would be faster (a kernel limit,
    a link). With no limit: ``capacity / (v_outer * (1 + r) / 2)``.
    """
    whole = capacity_bytes / outer_bytes_per_second / SECONDS_PER_HOUR
    if limit_bytes_per_second is None or limit_bytes_per_second >= outer_bytes_per_second:
        return whole * track_time(1.0, ratio)
    cap = limit_bytes_per_second / outer_bytes_per_second
    if cap <= ratio:
        return whole / cap
    meets = (1.0 - cap * cap) / (1.0 - ratio * ratio)  # from here on the drive is the slower one
    slower = track_time(1.0, ratio) - track_time(meets, ratio)
    return whole * (meets / cap + slower)
