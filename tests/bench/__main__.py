"""``python -m tests.bench --all`` (or names of probes): one table of every promise measured today.

Says before each probe which it is and about how long all the rest takes: by the last run that is
written here, else by a run on a busy machine. A probe that fails ends nothing: it is said, and the
others are measured.

Writes ``tests/output/bench.json`` and ``bench.svg``. A promise that is missed, or a probe that
failed, is said, and the status is 1. ``python -m tests.bench.compare OLD.json NEW.json`` holds two
runs against each other.
"""

from __future__ import annotations

import json
import os
import platform
import sys
import time
import traceback
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from xml.sax.saxutils import escape

from tests.bench.promises import BY_HAND, PROBES
from tests.bench.row import Absent, Row

TAKES = {
    "idle": 160.0,
    "poll": 30.0,
    "pages": 120.0,
    "signs": 600.0,
    "reports": 60.0,
    "prove": 90.0,
}
"""Seconds of the longer probes on a busy machine of two cores."""

OUTPUT = Path(__file__).resolve().parents[1] / "output"


def number_of(value: float) -> str:
    """Write a number as a person does, with four digits that count."""
    return f"{value:,.0f}" if value >= 10_000 else f"{value:.4g}"


def line(row: Row) -> str:
    """Give one line of the table."""
    target = "" if row.most is None else f"≤ {number_of(row.most)}"
    target = f"≥ {number_of(row.least)}" if row.least is not None else target
    met = {True: "met", False: "MISSED", None: ""}[row.is_met]
    ratio = "" if row.ratio is None else f"{row.ratio:.2f} × {row.bare_is}"
    value = f"{number_of(row.value)} {row.unit}"
    return f"{row.name:38} {target:>9} {value:>12}  {met:6}  {ratio}"


def drawing(rows: list[Row]) -> str:
    """Draw how much of its target each promise uses; the upright line is the target."""
    measured = [row for row in rows if row.is_met is not None]
    height = 24 * len(measured) + 54
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 780 {height}"'
    parts = [f'{head} font-family="sans-serif" font-size="12">']
    for number, row in enumerate(measured):
        share = row.value / row.most if row.most else (row.least or 0) / max(row.value, 1e-9)
        y = 24 * number + 20
        colour = "#3a6ea5" if row.is_met else "#a33"
        parts.append(
            f'<text x="250" y="{y + 12}" text-anchor="end">{escape(row.name)}</text>'
            f'<rect x="260" y="{y}" width="{min(share, 1.6) * 250:.0f}" height="16" '
            f'fill="{colour}"/><text x="770" y="{y + 12}" text-anchor="end">'
            f"{number_of(row.value)} {escape(row.unit)}</text>"
        )
    foot = height - 12
    parts.append(
        f'<path d="M510 10V{foot - 18}" stroke="#222" stroke-dasharray="4 3"/>'
        f'<text x="510" y="{foot}" text-anchor="middle">the target: a bar that ends before it '
        "keeps the promise</text></svg>"
    )
    return "\n".join(parts) + "\n"


def minutes_left(names: Sequence[str], known: Mapping[str, float]) -> str:
    """Say about how long some probes take."""
    seconds = sum(known.get(name, TAKES.get(name, 60.0)) for name in names)
    return f"{seconds:.0f} s" if seconds < 100 else f"{seconds / 60:.0f} min"


def took_before() -> dict[str, float]:
    """Give how many seconds each probe took when it was last measured here."""
    try:
        told = json.loads((OUTPUT / "bench.json").read_text(encoding="utf-8"))
        return {str(name): float(seconds) for name, seconds in told["took"].items()}
    except (OSError, ValueError, KeyError, AttributeError):
        return {}


@dataclass(slots=True)
class Run:
    """All that was measured."""

    took: dict[str, float]  # seconds of each probe, now or when it was last run
    rows: list[Row] = field(default_factory=list)
    absent: dict[str, str] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)

    def measure(self, name: str) -> None:
        """Run one probe and print what it gives."""
        began = time.monotonic()
        try:
            found = PROBES[name]()
        except Absent as why:
            self.absent[name] = str(why)
            print(f"{name:38} not measured: {why}", flush=True)
            return
        except Exception as error:  # noqa: BLE001 - said, and the others are measured
            where = traceback.extract_tb(error.__traceback__)[-1]
            place = f"{Path(where.filename).name}:{where.lineno}"
            self.failed[name] = f"{type(error).__name__}: {error} ({place})"
            print(f"{name:38} FAILED: {self.failed[name]}", flush=True)
            return
        self.took[name] = round(time.monotonic() - began, 1)
        self.rows += found
        for row in found:
            print(line(row), flush=True)

    def write(self, load: float) -> None:
        """Write what was measured."""
        OUTPUT.mkdir(exist_ok=True)
        told = [asdict(row) | {"ratio": row.ratio, "met": row.is_met} for row in self.rows]
        whole = {"load": load, "rows": told, "absent": self.absent, "failed": self.failed}
        text = json.dumps(whole | {"took": self.took}, indent=1)
        (OUTPUT / "bench.json").write_text(text + "\n", encoding="utf-8")
        (OUTPUT / "bench.svg").write_text(drawing(self.rows), encoding="utf-8")


def main(names: list[str]) -> int:
    """Measure, print, write."""
    if "--all" in names:
        names = list(PROBES)
    unknown = [name for name in names if name not in PROBES]
    if unknown or not names:
        print(__doc__)
        print(f"Probes: {', '.join(PROBES)}")
        return 2
    load = os.getloadavg()[0]
    print(f"{platform.machine()}, Python {platform.python_version()}, load {load:.1f}\n")
    run = Run(took=took_before())
    for number, name in enumerate(names):
        left = minutes_left(names[number:], run.took)
        print(f"-- {number + 1} of {len(names)}, {name}; about {left} left", file=sys.stderr)
        run.measure(name)
    print("\nRun on their own (python -m tests.bench.NAME):")
    for name, why in BY_HAND.items():
        print(f"  {name}: {why}")
    run.write(load)
    return 1 if run.failed or any(row.is_met is False for row in run.rows) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
