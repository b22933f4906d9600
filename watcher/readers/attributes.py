"""What the rows of an ATA attribute table mean, as metrics.

Which number means what is a vendor's matter: the table is not standardised beyond its form
(SFF-8035i; names come from smartctl's drive table). So a row counts only when both its number and
its name are known here, and only when its value is plausible. Otherwise there is no metric, and a
doubt says why where a reader could be misled. A wrong number is worse than none.

Facts behind the decoders, and where they come from:

* Raw values are 48 bits. smartctl prints some rows as ``W0 (W2 W1)`` (three 16-bit words), as
  ``N (B5 B4 B3)`` (24 bits and three bytes), as ``W2 W1 W0``, as ``12h+34m+56.789s`` or as
  ``31 (Min/Max 20/40)``: its formats raw16(raw16), raw24(raw8), raw16, msec24hour32, tempminmax.
* 5 above 65,535: counters packed by some makers (``39 (30 0)``: the first word counts). With the
  third word zero and the *normalised value sinking*, it is one 32-bit count: measured on the open
  reports (linuxhw/EnterpriseDrive 66faf20, 40,892 ATA reports, November 2026): 82,312 goes with 80,
  111,448 with 72, 167,641 with 58, 233,622 with 37, 392,816 with 1, about one point in 4,000, while
  the device statistics of the same drives show the low 16 bits only. With the value still at 100 it
  stays unknown.
* 188: three words: all time-outs, those over 5 s, those over 7.5 s (common practice, no source);
  each is at most the one before.
* 9 may be in hours, minutes, half minutes or hours with milliseconds packed on top; smartctl prints
  the clear forms with an ``h``. A plain number beyond 30 years is not hours.
* 187, 197 and 198 of some makers are error *rates* or wrapped below zero (4294967290): beyond
  :data:`MAX_SECTORS`, or above 65,535 with the low word empty (1179648), they count nothing.
* A row's unit is checked against the device statistics of the same drives (same reports): power-on
  hours agree within 2 % in 28,260 of 28,365 reports, bytes written in 15,010 of 16,289, wear in
  12,786 of 13,768, the CRC count in 31,160 of 31,237. Names that disagree mostly are not used.
* 194 and 190 carry minimum and maximum in the higher bytes; 0 and 255 mean that there is no sensor.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from watcher.facts.drive import Attribute, Metric

WORD = 0xFFFF
MAX_SECTORS = 1_000_000
"""Count. Largest plausible number of bad sectors: a drive gives up long before. In the open reports
the largest believable pending count is 248,384, the smallest absurd one 2,930,222. Our choice."""
MAX_CYCLES = 50_000_000
"""Count. Largest plausible number of starts or head loads (11,579,612 was seen). Our choice."""
MAX_CRC_ERRORS = 1_000_000_000
"""Count. A bad cable makes errors by the million (159,687,172 was seen). Our choice."""
MAX_HOURS = 262_800
"""Hours. 30 years of 8,760 h: longer than drives with these attributes have existed. Our choice."""
MAX_BYTES = 10**18
"""Bytes. Largest plausible amount read or written: 20 years at 1.5 GB/s. Our choice; packed values
of 10^20 were seen."""
TEMPERATURE_RANGE_CELSIUS = (-40, 125)
"""Degrees. What a sensor in a drive can sensibly show: storage limits of data sheets, and the
highest junction temperature of common parts (common practice, no source)."""
NO_SENSOR = frozenset({0, 255})
SUNK_VALUE = 95
"""Normalised points. At or below this, attribute 5 has visibly sunk from its 100 (see above)."""

_PLAIN = re.compile(r"[0-9]{1,15}")
_WORDS = re.compile(r"(\d{1,5}) \((\d{1,5}) (\d{1,5})\)")
_BYTES = re.compile(r"(\d{1,8}) \((\d{1,3}) (\d{1,3}) (\d{1,3})\)")
_THREE = re.compile(r"(\d{1,5}) (\d{1,5}) (\d{1,5})")
_HOURS = re.compile(r"(\d{1,12})h(?:\+\d+m(?:\+\d+(?:\.\d+)?s)?)?")
_TEMPERATURE = re.compile(r"(-?\d{1,5})(?:\.\d+)?(?: \(.*\))?")


def raw_from_text(text: str) -> int | None:
    """Give the 48-bit raw value that a printed one stands for; None when it cannot be told.

    Of formats that hide part of the value (temperatures, times) the first number is given.
    """
    if _PLAIN.fullmatch(text):
        return int(text)
    if match := _WORDS.fullmatch(text):
        low, high, middle = (int(group) for group in match.groups())
        return low | middle << 16 | high << 32
    if match := _BYTES.fullmatch(text):
        low, *rest = (int(group) for group in match.groups())
        return low | rest[2] << 24 | rest[1] << 32 | rest[0] << 40
    if match := _THREE.fullmatch(text):
        high, middle, low = (int(group) for group in match.groups())
        return low | middle << 16 | high << 32
    if match := re.match(r"0x([0-9a-f]{1,12})\b|(\d{1,15})(?!\d)", text):
        return int(match[1], 16) if match[1] else int(match[2])
    return None


def _count(limit: int) -> Callable[[Attribute], int | None]:
    """Make a decoder of a plain count up to a limit."""

    def decode(row: Attribute) -> int | None:
        packed = row.raw > WORD and row.raw & WORD == 0
        plain = _PLAIN.fullmatch(row.raw_text) is not None
        return row.raw if plain and row.raw <= limit and not packed else None

    return decode


def _small_count(row: Attribute) -> int | None:
    """Decode a count that never passes 16 bits."""
    return row.raw if row.raw <= WORD else None


def _reallocated(row: Attribute) -> int | None:
    """Decode attribute 5 (see the module's text)."""
    if row.raw <= WORD:
        return row.raw
    low, middle, high = row.raw & WORD, row.raw >> 16 & WORD, row.raw >> 32
    if high and not middle:
        return low
    sunk = row.value is not None and row.value <= SUNK_VALUE
    return row.raw if not high and sunk and row.raw <= MAX_SECTORS else None


def _timeouts(row: Attribute) -> int | None:
    """Decode attribute 188."""
    low, middle, high = row.raw & WORD, row.raw >> 16 & WORD, row.raw >> 32
    return low if low >= middle >= high else None


def _hours(row: Attribute) -> int | None:
    """Decode attribute 9."""
    text = row.raw_text
    if match := _HOURS.fullmatch(text):
        hours = int(match[1])
    elif (match := _BYTES.fullmatch(text)) or (match := re.fullmatch(r"(\d{1,15})", text)):
        if "Hours" not in row.name:
            return None
        hours = int(match[1])
    else:
        return None
    return hours if hours <= MAX_HOURS else None


def temperature_of(text: str) -> int | None:
    """Give the temperature that a printed raw value starts with; None: implausible or no sensor."""
    match = _TEMPERATURE.fullmatch(text)
    return plausible_celsius(int(match[1])) if match else None


def plausible_celsius(degrees: int) -> int | None:
    """Give a temperature back unless it is outside what a sensor can show, or says "no sensor"."""
    low, high = TEMPERATURE_RANGE_CELSIUS
    return degrees if low <= degrees <= high and degrees not in NO_SENSOR else None


def _temperature(row: Attribute) -> int | None:
    """Decode attributes 194 and 190."""
    return temperature_of(row.raw_text)


def _value(row: Attribute) -> int | None:
    """Take the normalised value as per cent."""
    return row.value if row.value is not None and row.value <= 100 else None


def _threshold(row: Attribute) -> int | None:
    """Take the threshold as per cent."""
    return row.threshold if row.threshold is not None and row.threshold <= 100 else None


def _worn_by_value(row: Attribute) -> int | None:
    """Take the normalised value as per cent of life left."""
    return 100 - row.value if row.value is not None and 1 <= row.value <= 100 else None


def _worn_by_raw(row: Attribute) -> int | None:
    """Take the raw value as per cent of life left."""
    return 100 - row.raw if row.raw <= 100 else None


def _times(unit_bytes: int) -> Callable[[Attribute], int | None]:
    """Make a decoder of an amount of data in units."""

    def decode(row: Attribute) -> int | None:
        amount = row.raw * unit_bytes
        return amount if _PLAIN.fullmatch(row.raw_text) and amount <= MAX_BYTES else None

    return decode


@dataclass(frozen=True, slots=True)
class _Meaning:
    """One known meaning of a row."""

    metric: Metric
    numbers: tuple[int, ...]
    name: re.Pattern[str]
    decode: Callable[[Attribute], int | None]
    needs_table: bool = False  # counts only for drives in smartctl's drive table
    makers: re.Pattern[str] | None = None  # counts only for these models


def _m(metric: Metric, numbers: Sequence[int], name: str, decode: Callable[[Attribute], int | None],
       *, needs_table: bool = False, makers: str | None = None) -> _Meaning:  # fmt: skip
    """Make one meaning."""
    return _Meaning(
        metric,
        tuple(numbers),
        re.compile(name),
        decode,
        needs_table,
        re.compile(makers, re.IGNORECASE) if makers else None,
    )


_MIB = 1024**2
_GIB = 1024**3
_MEANINGS = (
    _m(Metric.REALLOCATED_SECTORS, [5],
       r"Realloc|Retired_Block|Retried_Blk|(?:Later|Runtime)_Bad_Bl", _reallocated),
    _m(Metric.REALLOCATION_EVENTS, [196], r"Realloc", _small_count),
    _m(Metric.PENDING_SECTORS, [197], r"^(?!Bogus).*Pend", _count(MAX_SECTORS)),
    _m(Metric.OFFLINE_UNCORRECTABLE, [198],
       r"Offline_Uncorrect|Offl_Uncorrect|Uncorrectable_Sector", _count(MAX_SECTORS)),
    _m(Metric.REPORTED_UNCORRECTABLE, [187], r"Uncorrect", _count(MAX_SECTORS)),
    _m(Metric.COMMAND_TIMEOUTS, [188], r"Command_Timeout", _timeouts),
    _m(Metric.SPIN_RETRIES, [10], r"Spin_Retry", _small_count),
    _m(Metric.INTERFACE_CRC_ERRORS, [199], r"CRC", _count(MAX_CRC_ERRORS)),
    _m(Metric.POWER_ON_HOURS, [9], r"Power_On", _hours),
    _m(Metric.POWER_CYCLES, [12], r"Power_Cycle", _count(MAX_CYCLES)),
    _m(Metric.UNSAFE_SHUTDOWNS, [174, 192],
       r"Unsafe_Shutdown|Unclean_Shutdown|Unexpect|Unplanned", _count(MAX_SECTORS)),
    _m(Metric.LOAD_CYCLES, [193, 225], r"Load_Cycle", _count(MAX_CYCLES)),
    _m(Metric.HELIUM_PERCENT, [22], r"Helium", _value),
    _m(Metric.TEMPERATURE_CELSIUS, [194, 190, 231], r"Temperature", _temperature),
    _m(Metric.WEAR_PERCENT, [169], r"Remaining_Lifetime_Perc", _worn_by_raw),
    _m(Metric.WEAR_PERCENT, [202], r"Percent_Lifetime_(?:Remain|Used)",
       _worn_by_value),
    _m(Metric.WEAR_PERCENT, [231], r"SSD_Life_Left", _worn_by_value),
    _m(Metric.WEAR_PERCENT, [233], r"Media_Wearout", _worn_by_value),
    _m(Metric.WEAR_PERCENT, [177], r"Wear_Leveling", _worn_by_value, makers=r"^(?:samsung|mz)"),
    _m(Metric.SPARE_PERCENT, [232], r"Avail\w*_Res", _value),
    _m(Metric.SPARE_THRESHOLD_PERCENT, [232], r"Avail\w*_Res", _threshold),
    _m(Metric.BYTES_WRITTEN, [241], r"^(?:Host|Lifetime|Total)_Writes_32MiB", _times(32 * _MIB)),
    _m(Metric.BYTES_WRITTEN, [241], r"^(?:Host|Lifetime|Total)_Writes_GiB", _times(_GIB)),
    _m(Metric.BYTES_WRITTEN, [241], r"^Total_LBAs_Written", _times(512),
       needs_table=True),
    _m(Metric.BYTES_READ, [242], r"^(?:Host|Lifetime|Total)_Reads_32MiB", _times(32 * _MIB)),
    _m(Metric.BYTES_READ, [242], r"^(?:Host|Lifetime|Total)_Reads_GiB", _times(_GIB)),
    _m(Metric.BYTES_READ, [242], r"^Total_LBAs_Read", _times(512), needs_table=True),
)  # fmt: skip

_WITHOUT_DOUBT = frozenset(
    {Metric.TEMPERATURE_CELSIUS, Metric.WEAR_PERCENT, Metric.SPARE_PERCENT,
     Metric.SPARE_THRESHOLD_PERCENT, Metric.HELIUM_PERCENT}
)  # fmt: skip
"""Metrics whose absence is common and misleads nobody."""


def _index() -> dict[int, tuple[_Meaning, ...]]:
    """Sort the meanings by number."""
    found: dict[int, list[_Meaning]] = {}
    for meaning in _MEANINGS:
        for number in meaning.numbers:
            found.setdefault(number, []).append(meaning)
    return {number: tuple(meanings) for number, meanings in found.items()}


_BY_NUMBER = _index()


def decode_attributes(
    rows: Sequence[Attribute], *, model: str = "", in_table: bool = True
) -> tuple[dict[Metric, int], tuple[str, ...]]:
    """Give the metrics of an attribute table, and the doubts about its values.

    ``in_table`` tells whether smartctl's drive table knows the drive. Where several rows tell the
    same metric, the order of the table of meanings decides, then the order of the numbers in it.
    """
    found: dict[Metric, tuple[int, int]] = {}
    doubts: list[str] = []
    for row in rows:
        for meaning in _BY_NUMBER.get(row.number, ()):
            if not meaning.name.search(row.name) or (meaning.needs_table and not in_table):
                continue
            if meaning.makers is not None and not meaning.makers.search(model):
                continue
            number = meaning.decode(row)
            if number is None:
                if meaning.metric not in _WITHOUT_DOUBT:
                    doubts.append(_doubt(row, meaning.metric))
                continue
            rank = meaning.numbers.index(row.number)
            if meaning.metric not in found or rank < found[meaning.metric][0]:
                found[meaning.metric] = (rank, number)
    return {metric: number for metric, (_, number) in found.items()}, tuple(doubts)


def _doubt(row: Attribute, metric: Metric) -> str:
    """Say that a row was not understood."""
    what = metric.value.replace("-", " ")
    return (
        f"Attribute {row.number} ({row.name}) shows {row.raw_text}, which cannot be read as "
        f"{what}: several numbers packed into one, or another unit. It is not used."
    )
