"""Daily records of many drives: one row for each drive and day, as CSV, gzip or Parquet.

Columns, in any order: ``date`` (2013-04-10, a time behind it is ignored), ``serial`` (or
``serial_number``), ``model``, ``capacity_bytes``, and ``smart_N_raw`` and ``smart_N_normalized``
(or ``r_N`` and ``n_N``) for attribute number N. Only date, serial and model are required; all other
columns are ignored. An empty cell means "not reported".

A Parquet file needs the package pyarrow (``CannotRead`` says so when it is missing). The kind of
file is told by its first bytes, not by its name.

Traps: raw values may be packed (188 holds three 16-bit counters, 5 and 9 sometimes carry more in
their upper bytes), decoded or left out as ``attributes.py`` explains; large values may be printed
in scientific notation or with a decimal comma, and such a cell counts as not reported unless it is
a whole number. 65,535 in attribute 197 is kept: what it means differs by maker, but it is never a
sign of health. A record gives no names of attributes, so that only those numbers are read of which
the meaning is the same with nearly all makers.
"""

from __future__ import annotations

import csv
import gzip
import io
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import lru_cache
from importlib import import_module
from pathlib import Path
from typing import Any, Final

from watcher.facts.drive import Metric, Unread
from watcher.facts.recorded_day import RecordedDay
from watcher.readers.attributes import MAX_HOURS, MAX_SECTORS, SUNK_VALUE, WORD, plausible_celsius
from watcher.readers.errors import CannotParse, CannotRead

SOURCE: Final = "recorded days"
GZIP: Final = b"\x1f\x8b"
PARQUET: Final = b"PAR1"

Decode = Callable[[int, "int | None"], "int | None"]


def _count(raw: int, value: int | None) -> int | None:
    """Decode a plain count."""
    del value
    packed = raw > WORD and not raw & WORD
    return raw if 0 <= raw <= MAX_SECTORS and not packed else None


def _reallocated(raw: int, value: int | None) -> int | None:
    """Decode attribute 5; ``attributes.py`` has the facts."""
    if 0 <= raw <= WORD:
        return raw
    low, middle, high = raw & WORD, raw >> 16 & WORD, raw >> 32
    if high and not middle:
        return low
    sunk = value is not None and value <= SUNK_VALUE
    return raw if 0 < raw <= MAX_SECTORS and sunk else None


def _timeouts(raw: int, value: int | None) -> int | None:
    """Decode attribute 188: three words, each at most the one below it."""
    del value
    low, middle, high = raw & WORD, raw >> 16 & WORD, raw >> 32
    return low if raw >= 0 and low >= middle >= high else None


def _hours(raw: int, value: int | None) -> int | None:
    """Decode attribute 9."""
    del value
    return raw if 0 <= raw <= MAX_HOURS else None


def _celsius(raw: int, value: int | None) -> int | None:
    """Decode attribute 194: minimum and maximum may sit in the higher bytes."""
    del value
    return plausible_celsius(raw & 0xFF) if raw >= 0 else None


def _small(raw: int, value: int | None) -> int | None:
    """Decode a count that never passes 16 bits."""
    del value
    return raw if 0 <= raw <= WORD else None


RAW: Final[Mapping[int, tuple[Metric, Decode]]] = {
    5: (Metric.REALLOCATED_SECTORS, _reallocated),
    9: (Metric.POWER_ON_HOURS, _hours),
    10: (Metric.SPIN_RETRIES, _small),
    187: (Metric.REPORTED_UNCORRECTABLE, _count),
    188: (Metric.COMMAND_TIMEOUTS, _timeouts),
    194: (Metric.TEMPERATURE_CELSIUS, _celsius),
    196: (Metric.REALLOCATION_EVENTS, _small),
    197: (Metric.PENDING_SECTORS, _count),
    198: (Metric.OFFLINE_UNCORRECTABLE, _count),
    199: (Metric.INTERFACE_CRC_ERRORS, _count),
}
HELIUM: Final = 22  # its normalised value is the fill

_COLUMN = re.compile(r"(?:smart_(\d{1,3})_(raw|normalized)|([rn])_(\d{1,3}))")


@dataclass(frozen=True, slots=True)
class _Columns:
    """Where in a row things are."""

    date: int
    serial: int
    model: int
    capacity: int | None
    raws: tuple[tuple[int, int | None, Metric, Decode], ...]  # (raw, normalised, metric, decoder)
    helium: int | None

    @property
    def numbers(self) -> tuple[int, ...]:
        """Give the columns that hold numbers."""
        wanted = {self.capacity, self.helium}
        for raw, value, _, _ in self.raws:
            wanted |= {raw, value}
        return tuple(sorted(index for index in wanted if index is not None))


def columns_of(header: Sequence[str]) -> _Columns:
    """Find the columns by their names; ``CannotParse`` when a required one is missing."""
    names = {name.strip().lower(): index for index, name in reversed(list(enumerate(header)))}
    raw: dict[int, int] = {}
    value: dict[int, int] = {}
    for name, index in names.items():
        if match := _COLUMN.fullmatch(name):
            number = int(match[1] or match[4])
            (raw if (match[2] or match[3]) in {"raw", "r"} else value)[number] = index
    serial = names.get("serial", names.get("serial_number"))
    if serial is None or "date" not in names or "model" not in names:
        raise CannotParse(
            SOURCE, "the columns date, serial and model are needed", line=",".join(header)
        )
    return _Columns(
        date=names["date"],
        serial=serial,
        model=names["model"],
        capacity=names.get("capacity_bytes"),
        raws=tuple((raw[n], value.get(n), *RAW[n]) for n in sorted(raw) if n in RAW),
        helium=value.get(HELIUM),
    )


@lru_cache(maxsize=8192)
def start_of(text: str) -> datetime:
    """Give the start of a day in UTC; ``CannotParse`` when the text is no date."""
    try:
        day = date.fromisoformat(text.strip()[:10])
    except ValueError as fault:
        raise CannotParse(SOURCE, "a date must look like 2013-04-10", line=text) from fault
    return datetime(day.year, day.month, day.day, tzinfo=UTC)


def number_of(cell: str) -> int | None:
    """Give a whole number, also one written as 12.0 or 1.2E+3; None for anything else."""
    text = cell.strip()
    if text.isascii() and text.isdigit() and len(text) <= 20:
        return int(text)
    try:
        value = float(text)
    except ValueError:
        return None
    whole = math.isfinite(value) and abs(value) < 2**53 and value.is_integer()
    return int(value) if whole else None


def _day(row: Sequence[Any], columns: _Columns) -> RecordedDay:
    """Make one recorded day of one row in which numbers are numbers or None."""
    metrics: dict[Metric, int] = {}
    for raw, value, metric, decode in columns.raws:
        cell = row[raw]
        if cell is None:
            continue
        if cell == 0 and metric is not Metric.TEMPERATURE_CELSIUS:
            metrics[metric] = 0
            continue
        number = decode(cell, row[value] if value is not None else None)
        if number is not None:
            metrics[metric] = number
    if columns.helium is not None and (fill := row[columns.helium]) is not None and fill <= 100:
        metrics[Metric.HELIUM_PERCENT] = fill
    capacity = row[columns.capacity] if columns.capacity is not None else None
    return RecordedDay(
        start_of(row[columns.date]),
        row[columns.serial],
        row[columns.model],
        capacity if capacity is not None and capacity > 0 else None,
        metrics,
    )


def parse(text: str) -> tuple[RecordedDay, ...]:
    """Read a record as CSV text, sorted by date; ``CannotParse`` for anything that is none."""
    return tuple(_from_csv(io.StringIO(text, newline="")))


def _from_csv(lines: io.TextIOBase) -> Iterator[RecordedDay]:
    """Read CSV lines, and give the days by date."""
    rows = csv.reader(lines, strict=True)
    days: list[RecordedDay] = []
    try:
        header = next(rows, None)
        if header is None:
            raise CannotParse(SOURCE, "the file is empty")
        columns = columns_of(header)
        numbers = columns.numbers
        for row in rows:
            if not row:
                continue
            if len(row) != len(header):
                reason = f"line {rows.line_num} has {len(row)} cells, not {len(header)}"
                raise CannotParse(SOURCE, reason, line=",".join(row))
            cells: list[Any] = list(row)
            for index in numbers:
                cells[index] = number_of(row[index])
            if not row[columns.serial].strip():
                raise CannotParse(SOURCE, f"line {rows.line_num} has no serial number")
            days.append(_day(cells, columns))
    except csv.Error as fault:
        raise CannotParse(SOURCE, f"line {rows.line_num}: {fault}") from fault
    days.sort(key=lambda day: day.at)
    yield from days


def _from_parquet(path: Path) -> Iterator[RecordedDay]:
    """Read a Parquet file, and give the days by date."""
    try:
        arrow: Any = import_module("pyarrow")  # an extra that only this needs
        parquet: Any = import_module("pyarrow.parquet")
    except ImportError as fault:
        raise CannotRead(
            SOURCE,
            Unread.TOOL_MISSING,
            f"{path.name} is a Parquet file, and the package pyarrow is not installed",
            remedy="Install pyarrow, or write the record as CSV.",
        ) from fault
    try:
        file = parquet.ParquetFile(path)
        columns = columns_of(file.schema_arrow.names)
        texts = (columns.date, columns.serial, columns.model)
        wanted = sorted({*texts, *columns.numbers})
        names = [file.schema_arrow.names[index] for index in wanted]
        table = file.read(columns=names)
        cells: list[list[Any]] = []
        for index, name in zip(wanted, names, strict=True):
            kind = arrow.string() if index in texts else arrow.int64()
            cells.append(table.column(name).cast(kind, safe=False).to_pylist())
    except arrow.ArrowException as fault:
        raise CannotParse(SOURCE, f"{path.name} is no readable Parquet file: {fault}") from fault
    place = {index: position for position, index in enumerate(wanted)}
    near = _Columns(
        date=place[columns.date],
        serial=place[columns.serial],
        model=place[columns.model],
        capacity=place.get(columns.capacity) if columns.capacity is not None else None,
        raws=tuple(
            (place[raw], place[value] if value is not None else None, metric, decode)
            for raw, value, metric, decode in columns.raws
        ),
        helium=place.get(columns.helium) if columns.helium is not None else None,
    )
    dates = cells[near.date]
    if any(
        cell is None
        for position in (near.date, near.serial, near.model)
        for cell in cells[position]
    ):
        raise CannotParse(SOURCE, f"{path.name}: a date, serial or model is missing")
    for index in sorted(range(len(dates)), key=dates.__getitem__):
        yield _day([column[index] for column in cells], near)


def read_days(path: Path) -> Iterator[RecordedDay]:
    """Read one file, by date; raises ``CannotRead`` or ``CannotParse``."""
    try:
        with path.open("rb") as file:
            first = file.read(4)
            file.seek(0)
            if first == PARQUET:
                yield from _from_parquet(path)
                return
            packed = first.startswith(GZIP)
            plain: Any = gzip.GzipFile(fileobj=file) if packed else file
            with io.TextIOWrapper(plain, encoding="utf-8-sig", newline="") as lines:
                yield from _from_csv(lines)
    except UnicodeDecodeError as fault:
        raise CannotParse(SOURCE, f"{path.name} is not text in UTF-8") from fault
    except (EOFError, gzip.BadGzipFile) as fault:
        raise CannotParse(SOURCE, f"{path.name} is a damaged gzip file: {fault}") from fault
    except PermissionError as fault:
        raise CannotRead(SOURCE, Unread.FORBIDDEN, f"{path} may not be read") from fault
    except OSError as fault:
        raise CannotRead(SOURCE, Unread.VANISHED, f"{path}: {fault.strerror}") from fault
