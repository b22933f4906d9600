"""How many of the open reports of real drives are read, and why the rest is not.

Run: ``python -m tests.bench.smartctl_reports``. Reads all reports in ``../shared/data``
(linuxhw/EnterpriseDrive, CC BY 4.0), by the text reader; prints the share per cause, what the
verdicts and doubts are, and how well the attribute decoding agrees with the drives' own device
statistics. Skips with a word where the data is absent.
"""

from __future__ import annotations

import json
import lzma
import re
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from watcher.facts.drive import DriveReading, Metric, Protocol
from watcher.readers.attributes import decode_attributes
from watcher.readers.drive_report import DEVICE_STATISTICS, Report
from watcher.readers.errors import CannotParse
from watcher.readers.smartctl_text import parse_text

DATA = (
    Path(__file__).resolve().parents[2] / ".." / "shared" / "data" / "smartctl_reports" / "open"
    / "reports.jsonl.xz"
)  # fmt: skip
NOW = datetime(2026, 11, 25, tzinfo=UTC)
_STATISTIC = re.compile(r"^0x([0-9a-f]{2})  0x([0-9a-f]{3})  \d +(\d+)  \S{3}  ", re.MULTILINE)
AGREE_SHARE = 0.02
AGREE_COUNT = 2


def _reports() -> Iterator[dict[str, Any]]:
    """Give the reports one after the other."""
    with lzma.open(DATA, "rt") as lines:
        for line in lines:
            yield json.loads(line)


def _cause(report: dict[str, Any]) -> tuple[str, DriveReading | None]:
    """Read one report: the word for what came of it, and the reading."""
    try:
        result = parse_text(report["text"], node=f"/{report['id']}", observed_at=NOW)
    except CannotParse as error:
        return f"refused: {error.reason[:60]}", None
    if isinstance(result, DriveReading):
        return f"read, {result.verdict.value}", result
    return f"no data in it: {result.why.value}", None


def _agreement(reading: DriveReading, text: str, into: dict[Metric, list[bool]]) -> None:
    """Hold the decoded attributes against the device statistics in the same report."""
    decoded, _ = decode_attributes(reading.attributes, model=reading.identity.model)
    told = Report(protocol=Protocol.ATA)
    for page, offset, number in _STATISTIC.findall(text):
        if (int(page, 16), int(offset, 16)) in DEVICE_STATISTICS:
            told.add_statistic(int(page, 16), int(offset, 16), int(number))
    for metric, number in told.metrics.items():
        if metric in decoded:
            near = max(AGREE_COUNT, AGREE_SHARE * max(number, decoded[metric]))
            into[metric].append(abs(number - decoded[metric]) <= near)


def main() -> int:
    """Print the tables."""
    if not DATA.exists():
        print(f"skipped: {DATA} is absent")
        return 0
    causes: Counter[tuple[str, str]] = Counter()
    doubts: Counter[str] = Counter()
    drives: set[str] = set()
    unread: set[str] = set()
    agreement: dict[Metric, list[bool]] = defaultdict(list)
    began = time.process_time()
    for report in _reports():
        cause, reading = _cause(report)
        causes[report["proto"], cause] += 1
        drives.add(report["id"])
        if reading is None:
            unread.add(report["id"])
            continue
        doubts.update(re.sub(r"\d+", "N", doubt)[:70] for doubt in reading.doubts)
        _agreement(reading, report["text"], agreement)
    total = sum(causes.values())
    seconds = time.process_time() - began
    print(
        f"{total} reports of {len(drives)} drives, {seconds / total * 1000:.2f} ms each, no crash"
    )
    print(f"drives with a report that could not be read: {len(unread) / len(drives):.2%}")
    for (kind, cause), count in causes.most_common():
        print(f"{count:7} {count / total:7.2%}  {kind:<5} {cause}")
    print("doubts")
    for doubt, count in doubts.most_common(20):
        print(f"{count:7} {count / total:7.2%}  {doubt}")
    print("decoded attributes against device statistics (within 2 or 2 %)")
    for metric, near in sorted(agreement.items()):
        print(f"{sum(near):7} of {len(near):6} {sum(near) / len(near):7.2%}  {metric.value}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
