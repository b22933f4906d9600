"""Measure the drive rules on recorded failures: what was found in time, and what was cried in vain.

    python tests/bench/signs.py

Replays the open field data through the rules as ``midwatch replay`` does and prints, beside the
baseline of simple signs: the share of failed drives told before the day they failed, the share of
others ever told, the median lead, the precision at true prevalence, the reliability of the stated
chances with the Brier score, each with its 95% interval (Wilson). The trade-off curve goes to
tests/output/signs-*.svg. With the table fitted on the same days these figures flatter; the part
"cross-validated" is the honest one: there every drive is judged by a table fitted on others.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from statistics import median

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.fit_signs import Table, fit_table, load
from tests.bench.sign_data import DATA, FAILED, FLEET, ST12000, TOSHIBA, failures, fold_of
from watcher.facts.finding import Urgency
from watcher.readers.recorded_days import read_days, start_of
from watcher.rules import risk, risk_table
from watcher.rules.replay import DriveStory, replay

OUTPUT = Path(__file__).resolve().parents[1] / "output"
LOOK, REPLACE = Urgency.THIS_WEEK, Urgency.TODAY
HORIZON = timedelta(days=30)

# set -> (sign, detected, false, median lead) of BASELINE.md, open part
BASELINE = {
    FLEET: (
        ("growth in 7 d (any)", "44/74", "486/13631", 13),
        ("any > 0", "49/74", "1222/13631", 16),
    ),
    TOSHIBA: (("growth in 7 d (any)", "24/50", "6/266", 6), ("any > 0", "34/50", "10/266", 9)),
    FAILED: (("growth in 7 d (any)", "129/223", "-", 13), ("any > 0", "161/223", "-", 23)),
    ST12000: (
        ("187 > 0 (all parts)", "28/50", "523/37038", 8),
        ("5 > 0 (all parts)", "31/50", "1769/37038", 15),
    ),
}


def wilson(hits: int, total: int) -> tuple[float, float]:
    """Give the 95% Wilson interval of a share."""
    if not total:
        return 0.0, 1.0
    z = 1.959964
    share = hits / total
    middle = (share + z * z / 2 / total) / (1 + z * z / total)
    half = z * math.sqrt(share * (1 - share) / total + z * z / 4 / total**2) / (1 + z * z / total)
    return middle - half, middle + half


def share(hits: int, total: int) -> str:
    """Say a share with its interval."""
    low, high = wilson(hits, total)
    return f"{hits / max(total, 1):6.1%} ({hits}/{total}; {low:.1%} to {high:.1%})"


@dataclass(frozen=True, slots=True)
class Judged:
    """One drive: when it failed, if it did, and its story."""

    story: DriveStory
    failed_at: datetime | None

    def told(self, least: Urgency) -> datetime | None:
        """Give when it was first told, before the day it failed."""
        first = self.story.first(least)
        if first is None or (self.failed_at is not None and first.at >= self.failed_at):
            return None
        return first.at


def judged(name: str, stories: Iterable[DriveStory]) -> list[Judged]:
    """Give the drives of a set that had a day before failing."""
    died = {serial: start_of(day) for serial, day in failures(DATA / name).items()}
    all_of = [Judged(story, died.get(story.serial)) for story in stories]
    return [
        one for one in all_of if one.failed_at is None or one.story.chances[0][0] < one.failed_at
    ]


def run(name: str) -> tuple[list[Judged], float]:
    """Replay a data set; gives its drives and the seconds that it took."""
    started = time.perf_counter()
    stories = list(replay(read_days(DATA / name)))
    seconds = time.perf_counter() - started
    return judged(name, stories), seconds


def use(table: Table) -> None:
    """Put another table in place of the one that is shipped."""
    risk_table.SIGNLESS_SHARE = table.share  # type: ignore[misc]
    for target, source in (
        (risk_table.BASE, table.base),
        (risk_table.FACTORS, table.factors),
        (risk_table.MODELS, table.models),
    ):
        target.clear()
        target.update({key: tuple(rows) for key, rows in source.items()})
    risk._rows_of.cache_clear()


def cross_validated(names: Sequence[str], folds: int = 5) -> dict[str, list[Judged]]:
    """Replay each drive with a table that was fitted without its fold."""
    days, died = load()
    fold = np.array([fold_of(serial, folds) for serial in days.serial])
    result: dict[str, list[Judged]] = {name: [] for name in names}
    rows = {name: list(read_days(DATA / name)) for name in names}
    for left in range(folds):
        use(fit_table(days, died, fold != left, intervals=False))
        for name in names:
            mine = (day for day in rows[name] if fold_of(day.serial, folds) == left)
            result[name] += judged(name, replay(mine))
    return result


def level(drives: Sequence[Judged], least: Urgency) -> None:
    """Print how one level of urgency did."""
    dead = [one for one in drives if one.failed_at is not None]
    others = [one for one in drives if one.failed_at is None]
    hits = [one for one in dead if one.told(least) is not None]
    false = sum(one.told(least) is not None for one in others)
    leads = [
        (one.failed_at - told).days
        for one in hits
        if one.failed_at is not None and (told := one.told(least)) is not None
    ]
    name = "worth a look" if least is LOOK else "replace"
    print(f"  {name:13} found {share(len(hits), len(dead))}", end="")
    if others:
        print(f"  false {share(false, len(others))}", end="")
    print(f"  median lead {median(leads) if leads else 0:.0f} d", end="")
    if others:
        print(f"  precision {share(len(hits), len(hits) + false)}", end="")
    print()


def reliability(drives: Sequence[Judged]) -> None:
    """Print how stated chances compare with what happened within 30 days, over drive-days.

    Only days that are followed by at least 30 days of the record: later ones would count the
    failed and leave out the others. A drive that left the record unfailed counts while it is seen.
    """
    bins = (0.0, 0.001, 0.002, 0.005, 0.01, 0.03, 0.1, 0.25, 0.5, 1.01)
    ends = max(one.story.chances[-1][0] for one in drives)
    pairs: list[tuple[float, bool, str]] = []
    for one in drives:
        last = one.story.chances[-1][0]
        for at, p in one.story.chances:
            if at + HORIZON > ends or (one.failed_at is not None and at >= one.failed_at):
                continue
            event = one.failed_at is not None and one.failed_at - at <= HORIZON
            if event or one.failed_at is not None or last - at >= HORIZON:
                pairs.append((p, event, one.story.serial))
    if not pairs:
        return
    print("  stated chance      drive-days  stated  failed within 30 days")
    for low, high in pairwise(bins):
        inside = [pair for pair in pairs if low <= pair[0] < high]
        if not inside:
            continue
        stated = sum(p for p, _, _ in inside) / len(inside)
        failed = sum(event for _, event, _ in inside) / len(inside)
        who = {serial for _, event, serial in inside if event}
        everyone = len({serial for _, _, serial in inside})
        print(
            f"  {low:6.1%} to {min(high, 1):6.1%} {len(inside):10}  {stated:6.2%}  {failed:6.2%}"
            f"  (drives: {share(len(who), everyone)})"
        )
    prior = sum(event for _, event, _ in pairs) / len(pairs)
    brier = sum((p - event) ** 2 for p, event, _ in pairs) / len(pairs)
    base = prior * (1 - prior)
    stated = sum(p for p, _, _ in pairs) / len(pairs)
    print(f"  all: stated {stated:.3%}, failed {prior:.3%}")
    print(f"  Brier {brier:.6f}, of the mean rate alone {base:.6f}, skill {1 - brier / base:.1%}")


def curve(drives: Sequence[Judged]) -> list[tuple[float, float]]:
    """Give (false share, found share) for every chance that could be the threshold.

    A drive's score is its highest chance on a day with a sign, before it failed.
    """
    scored = []
    for one in drives:
        if not one.story.told:
            scored.append((0.0, one.failed_at is not None))
            continue
        days = [p for at, p in one.story.chances if one.failed_at is None or at < one.failed_at]
        scored.append((max(days, default=0.0), one.failed_at is not None))
    dead = sum(failed for _, failed in scored)
    others = len(scored) - dead
    points = [(0.0, 0.0)]
    found = false = 0
    ordered = sorted((s for s in scored if s[0] > 0), key=lambda s: -s[0])
    for position, (score, failed) in enumerate(ordered):
        found, false = found + failed, false + (not failed)
        if position + 1 == len(ordered) or ordered[position + 1][0] != score:
            points.append((false / max(others, 1), found / max(dead, 1)))
    return points


def svg(
    title: str, points: Sequence[tuple[float, float]], marks: dict[str, tuple[float, float]]
) -> str:
    """Draw a trade-off curve: false alarms to the right (up to 5%), found drives upwards."""
    width, height, left, top, right = 640, 420, 60, 40, 0.05

    def spot(x: float, y: float) -> tuple[float, float]:
        return left + min(x, right) / right * (width - left - 20), height - 50 - y * (
            height - 50 - top
        )

    line = " ".join("{:.1f},{:.1f}".format(*spot(x, y)) for x, y in points if x <= right)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}">',
        "<style>text { font: 12px sans-serif }</style>",
        '<rect width="100%" height="100%" fill="white"/>',
        f'<text x="{left}" y="22" font-size="14">{title}</text>',
    ]
    for step in range(6):
        x, y = spot(step / 100, 0)
        parts.append(f'<text x="{x:.0f}" y="{y + 18:.0f}" text-anchor="middle">{step}%</text>')
        x, y = spot(0, step / 5)
        parts.append(f'<text x="{x - 8:.0f}" y="{y + 4:.0f}" text-anchor="end">{step * 20}%</text>')
        parts.append(f'<line x1="{x}" y1="{y}" x2="{width - 20}" y2="{y}" stroke="#ddd"/>')
    parts.append(f'<polyline points="{line}" fill="none" stroke="#205080" stroke-width="2"/>')
    for name, (x, y) in marks.items():
        px, py = spot(x, y)
        parts.append(f'<circle cx="{px:.1f}" cy="{py:.1f}" r="4" fill="#a03020"/>')
        parts.append(f'<text x="{px + 7:.1f}" y="{py + 14:.1f}">{name}</text>')
    parts.append(
        f'<text x="{width / 2}" y="{height - 8}" text-anchor="middle">drives that did not fail, '
        "ever told</text></svg>"
    )
    return "\n".join(parts)


def share_of(text: str) -> float:
    """Turn "44/74" into a share."""
    hits, total = text.split("/")
    return int(hits) / int(total)


def measure(name: str, drives: Sequence[Judged], head: str, suffix: str = "") -> None:
    """Measure one set and draw its curve."""
    print(f"\n{head}")
    marks = {}
    for sign, found, false, lead in BASELINE[name]:
        print(f"  baseline: {sign:22} found {found}  false {false}  median lead {lead} d")
        if "/" in false:
            marks[sign] = (share_of(false), share_of(found))
    for least in (LOOK, REPLACE):
        level(drives, least)
    if name == FLEET:  # the other sets choose their days by what happened later
        reliability(drives)
    if name == FAILED:
        return
    points = curve(drives)
    for aim in (0.0025, 0.005, 0.01, 0.017, 0.03):
        best = max((y for x, y in points if x <= aim), default=0.0)
        print(f"  at no more than {aim:.2%} false the chance alone finds {best:.1%}")
    OUTPUT.mkdir(exist_ok=True)
    title = name.split("/", maxsplit=1)[0] + suffix
    path = OUTPUT / f"signs-{title}.svg"
    path.write_text(svg(f"{title}: found against false", points, marks))
    print(f"  curve: tests/output/{path.name}")


def main() -> None:
    """Measure all sets that are there."""
    for name in (FLEET, ST12000, TOSHIBA, FAILED):
        if not (DATA / name).exists():
            print(f"{name} is not there: skipped")
            continue
        drives, seconds = run(name)
        days = sum(len(one.story.chances) for one in drives)
        measure(name, drives, f"{name}: {days} drive-days, {len(drives)} drives, {seconds:.1f} s")
    if all((DATA / name).exists() for name in (FLEET, ST12000, TOSHIBA)):
        for name, drives in cross_validated((FLEET, ST12000, TOSHIBA)).items():
            measure(name, drives, f"{name}, cross-validated", "-cross-validated")


if __name__ == "__main__":
    main()
