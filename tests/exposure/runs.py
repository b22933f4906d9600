"""Simulated rebuilds: disks slower towards their inner tracks, users who come and go."""

from __future__ import annotations

import math
import random
from datetime import UTC, datetime, timedelta

from watcher.exposure.forecast import Progress

START = datetime(2031, 3, 3, 9, 0, tzinfo=UTC)
LOOK_SECONDS = 300.0


def simulated_rebuild(chance: random.Random) -> list[Progress]:
    """Give looks every five minutes at one rebuild, the last at its end.

    Inner over outer speed 0.52 +- 0.05; the curve's shape bent by up to a fifth; users slow it by
    a share that wanders (log-normal, standard deviation 3 to 15%, forgotten within 20 minutes to
    2 hours); outer pass 6 to 30 hours.
    """
    ratio = min(0.75, max(0.38, chance.gauss(0.52, 0.05)))
    bend = chance.uniform(0.42, 0.58)
    outer_hours = chance.uniform(6.0, 30.0)
    spread = chance.uniform(0.03, 0.15)
    memory = math.exp(-LOOK_SECONDS / 3600.0 / chance.uniform(0.33, 2.0))
    bottom = ratio ** (1.0 / bend)
    load = chance.gauss(0.0, spread)
    done, seconds = 0.0, 0.0
    looks = [Progress(at=START, done=0.0)]
    while True:
        load = memory * load + math.sqrt(1.0 - memory * memory) * chance.gauss(0.0, spread)
        speed = (1.0 - (1.0 - bottom) * done) ** bend * math.exp(load)
        step = LOOK_SECONDS / 3600.0 / outer_hours * speed
        if done + step >= 1.0:
            seconds += LOOK_SECONDS * (1.0 - done) / step
            looks.append(Progress(at=START + timedelta(seconds=seconds), done=1.0))
            return looks
        done, seconds = done + step, seconds + LOOK_SECONDS
        looks.append(Progress(at=START + timedelta(seconds=seconds), done=done))
