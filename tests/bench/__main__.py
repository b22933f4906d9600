"""``python -m tests.bench --all`` (or names of probes): one table of every promise measured today.

Writes ``tests/output/bench.json`` and ``bench.svg``. A promise that is missed is said, and the
status is 1. ``python -m tests.bench.compare OLD.json NEW.json`` holds two runs against each other.
"""

from __future__ import annotations

import json
import os
import platform
import sys
from dataclasses import asdict
from pathlib import Path
from xml.sax.saxutils import escape

from tests.bench.promises import BY_HAND, PROBES
from tests.bench.row import Absent, Row

OUTPUT = Path(__file__).resolve().parents[1] / "output"


def line(row: Row) -> str:
    """Give one line of the table."""
    target = "" if row.most is None else f"≤ {row.most:.4g}"
    target = f"≥ {row.least:.4g}" if row.least is not None else target
    met = {True: "met", False: "MISSED", None: ""}[row.is_met]
    ratio = "" if row.ratio is None else f"{row.ratio:.2f} × {row.bare_is}"
    value = f"{row.value:.4g} {row.unit}"
    return f"{row.name:38} {target:>9} {value:>12}  {met:6}  {ratio}"


def drawing(rows: list[Row]) -> str:
    """Draw how much of its target each promise uses; the upright line is the target."""
    measured = [row for row in rows if row.is_met is not None]
    height = 24 * len(measured) + 30
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 760 {height}"'
    parts = [f'{head} font-family="sans-serif" font-size="12">']
    for number, row in enumerate(measured):
        share = row.value / row.most if row.most else (row.least or 0) / max(row.value, 1e-9)
        y = 24 * number + 20
        colour = "#3a6ea5" if row.is_met else "#a33"
        parts.append(
            f'<text x="250" y="{y + 12}" text-anchor="end">{escape(row.name)}</text>'
            f'<rect x="260" y="{y}" width="{min(share, 1.6) * 250:.0f}" height="16" '
            f'fill="{colour}"/><text x="{266 + min(share, 1.6) * 250:.0f}" y="{y + 12}">'
            f"{row.value:.4g} {escape(row.unit)}</text>"
        )
    parts.append(f'<path d="M510 10V{height - 6}" stroke="#222" stroke-dasharray="4 3"/></svg>')
    return "\n".join(parts) + "\n"


def main(names: list[str]) -> int:
    """Measure, print, write."""
    if not names:
        print(__doc__)
        return 2
    if "--all" in names:
        names = list(PROBES)
    rows: list[Row] = []
    absent: dict[str, str] = {}
    load = os.getloadavg()[0]
    print(f"{platform.machine()}, Python {platform.python_version()}, load {load:.1f}\n")
    for name in names:
        try:
            found = PROBES[name]()
        except Absent as why:
            absent[name] = str(why)
            print(f"{name:38} not measured: {why}")
            continue
        rows += found
        for row in found:
            print(line(row), flush=True)
    print("\nRun on their own (python -m tests.bench.NAME):")
    for name, why in BY_HAND.items():
        print(f"  {name}: {why}")
    OUTPUT.mkdir(exist_ok=True)
    told = [asdict(row) | {"ratio": row.ratio, "met": row.is_met} for row in rows]
    text = json.dumps({"load": load, "rows": told, "absent": absent}, indent=1)
    (OUTPUT / "bench.json").write_text(text + "\n", encoding="utf-8")
    (OUTPUT / "bench.svg").write_text(drawing(rows), encoding="utf-8")
    return 1 if any(row.is_met is False for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
