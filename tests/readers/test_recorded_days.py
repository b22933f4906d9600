"""Daily records of many drives: CSV, gzip, Parquet."""

from __future__ import annotations

import gzip
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.facts.drive import Metric, Unread
from watcher.facts.recorded_day import RecordedDay
from watcher.readers.errors import CannotParse, CannotRead, ReadError
from watcher.readers.recorded_days import number_of, parse, read_days, start_of

# Written by hand, in the columns that the sets of daily records have; an invented drive.
HEAD = "date,serial,model,capacity_bytes,failure,smart_5_raw,smart_5_normalized,smart_9_raw,"
HEAD += "smart_188_raw,smart_194_raw,smart_197_raw,smart_22_normalized\n"
ROW = "2013-04-10,X1,Altair A8,8000000000000,0,16,99,9000,4295032833,31,0,100\n"
DAY = RecordedDay(
    datetime(2013, 4, 10, tzinfo=UTC),
    "X1",
    "Altair A8",
    8 * 10**12,
    {
        Metric.REALLOCATED_SECTORS: 16,
        Metric.POWER_ON_HOURS: 9000,
        Metric.COMMAND_TIMEOUTS: 1,
        Metric.TEMPERATURE_CELSIUS: 31,
        Metric.PENDING_SECTORS: 0,
        Metric.HELIUM_PERCENT: 100,
    },
)


def one(header: str, row: str) -> RecordedDay:
    """Parse one row."""
    (day,) = parse(f"date,serial,model,{header}\n2013-04-10,X1,Altair A8,{row}\n")
    return day


def test_a_row_is_read_with_its_packed_values_decoded() -> None:
    """188 holds three counters of 16 bits: 4295032833 is 1, 1 and 1."""
    assert parse(HEAD + ROW) == (DAY,)


@pytest.mark.parametrize(
    ("header", "row", "metrics"),
    [
        ("smart_5_raw", "", {}),  # not reported is not zero
        ("smart_5_raw", "0", {Metric.REALLOCATED_SECTORS: 0}),
        ("smart_5_raw", "65535", {Metric.REALLOCATED_SECTORS: 65535}),
        ("smart_5_raw", "65536", {}),
        ("smart_5_raw,smart_5_normalized", "82312,80", {Metric.REALLOCATED_SECTORS: 82312}),
        ("smart_5_raw,smart_5_normalized", "82312,100", {}),
        ("smart_5_raw", str(39 | 30 << 32), {Metric.REALLOCATED_SECTORS: 39}),
        ("smart_188_raw", "65536", {}),  # more slow ones than all: not that packing
        ("smart_9_raw", "262800", {Metric.POWER_ON_HOURS: 262_800}),
        ("smart_9_raw", "262801", {}),  # minutes, or packed
        ("smart_194_raw", "0", {}),  # no sensor
        ("smart_194_raw", "255", {}),
        ("smart_194_raw", str(31 | 20 << 16 | 40 << 32), {Metric.TEMPERATURE_CELSIUS: 31}),
        ("smart_197_raw", "65535", {Metric.PENDING_SECTORS: 65535}),
        ("smart_197_raw", "4294967290", {}),
        ("smart_197_raw", "1179648", {}),  # low word empty: a rate, not a count
        ("smart_197_raw", "8.0", {Metric.PENDING_SECTORS: 8}),
        ("smart_197_raw", "8.5", {}),
        ("smart_197_raw", "-8", {}),
        ("smart_188_raw", '"1,2E+10"', {}),  # a decimal comma
        ("r_197,n_197", "8,100", {Metric.PENDING_SECTORS: 8}),
        ("smart_10_raw", "3", {Metric.SPIN_RETRIES: 3}),
        ("smart_10_raw", "65536", {}),
        ("smart_1_raw", "123456789", {}),  # means something else with each maker
        ("smart_22_normalized", "101", {}),
        ("SMART_197_RAW", "8", {Metric.PENDING_SECTORS: 8}),
    ],
)
def test_a_cell_counts_only_when_its_meaning_is_sure(
    header: str, row: str, metrics: dict[Metric, int]
) -> None:
    """A wrong number is worse than none."""
    assert one(header, row).metrics == metrics


def test_days_come_by_date_whatever_order_the_file_has() -> None:
    """And other names for the columns are known."""
    text = "model,serial_number,date\nA,X1,2013-04-12\nA,X2,2013-04-10 00:00:00\nA,X1,2013-04-11\n"
    assert [(d.serial, d.at.day) for d in parse(text)] == [("X2", 10), ("X1", 11), ("X1", 12)]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "empty"),
        ("date,model\n", "needed"),
        ("serial,model\n", "needed"),
        ("date,serial,model\n2013-04-10,X1\n", "line 2 has 2 cells, not 3"),
        ("date,serial,model\n10.4.2013,X1,A\n", "must look like"),
        ("date,serial,model\n2013-04-10,,A\n", "no serial"),
        ('date,serial,model\n2013-04-10,"X1,A\n', "line"),
    ],
)
def test_what_is_no_record_is_refused_with_its_reason(text: str, reason: str) -> None:
    """Never an empty result."""
    with pytest.raises(CannotParse, match=reason):
        parse(text)


@given(st.text(max_size=200) | st.text('date,serial,model\n0123-"', max_size=80))
def test_any_text_is_parsed_or_refused(text: str) -> None:
    """Nothing else may come out."""
    try:
        parse(text)
    except CannotParse:
        return


@given(st.text(max_size=30))
def test_any_cell_is_a_whole_number_or_nothing(text: str) -> None:
    """No sign, unit or fraction is stripped."""
    number = number_of(text)
    assert number is None or isinstance(number, int)
    if number is not None:
        assert float(text) == number


def test_a_cut_record_is_refused() -> None:
    """A row that lost its end must not read as a drive with fewer signs."""
    with pytest.raises(CannotParse, match="cells"):
        parse((HEAD + ROW)[:-8])


@pytest.mark.parametrize("packed", [False, True])
def test_files_are_told_by_their_first_bytes(tmp_path: Path, packed: bool) -> None:
    """Not by their names."""
    path = tmp_path / "record.data"
    data = (HEAD + ROW).encode()
    path.write_bytes(gzip.compress(data) if packed else b"\xef\xbb\xbf" + data)
    assert list(read_days(path)) == [DAY]


def test_parquet_is_read_like_csv(tmp_path: Path) -> None:
    """Needs the package pyarrow."""
    arrow = pytest.importorskip("pyarrow")
    parquet = pytest.importorskip("pyarrow.parquet")
    table = arrow.table(
        {
            "smart_197_raw": [None, 8],
            "date": ["2013-04-11", "2013-04-10"],
            "serial": ["X1", "X1"],
            "model": ["Altair A8", "Altair A8"],
            "note": ["ignored", "ignored"],
        }
    )
    parquet.write_table(table, tmp_path / "a.parquet")
    days = list(read_days(tmp_path / "a.parquet"))
    assert [(d.at.day, d.metrics, d.capacity_bytes) for d in days] == [
        (10, {Metric.PENDING_SECTORS: 8}, None),
        (11, {}, None),
    ]
    holes = arrow.table(
        {"date": ["2013-04-10"], "serial": arrow.nulls(1, arrow.string()), "model": ["A"]}
    )
    parquet.write_table(holes, tmp_path / "c.parquet")
    with pytest.raises(CannotParse, match="missing"):
        list(read_days(tmp_path / "c.parquet"))
    parquet.write_table(table.drop_columns(["serial"]), tmp_path / "b.parquet")
    with pytest.raises(CannotParse, match="needed"):
        list(read_days(tmp_path / "b.parquet"))


@pytest.mark.parametrize(
    "data", [b"PAR1 and nothing else", gzip.compress((HEAD + ROW).encode())[:40], b"date\xff\xfe\n"]
)
def test_a_damaged_file_is_refused(tmp_path: Path, data: bytes) -> None:
    """Cut, or no text."""
    if data.startswith(b"PAR1"):
        pytest.importorskip("pyarrow")
    path = tmp_path / "damaged"
    path.write_bytes(data)
    with pytest.raises(CannotParse):
        list(read_days(path))


def test_a_file_that_is_not_there_is_not_an_empty_one(tmp_path: Path) -> None:
    """CannotRead, with its reason."""
    with pytest.raises(CannotRead) as caught:
        list(read_days(tmp_path / "nothing"))
    assert caught.value.why is Unread.VANISHED
    assert isinstance(caught.value, ReadError)


def test_a_date_may_carry_a_time_that_is_ignored() -> None:
    """The start of the day in UTC."""
    assert start_of("2013-04-10T08:00:00") == datetime(2013, 4, 10, tzinfo=UTC)


def test_parquet_without_its_package_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """CannotRead, not a crash."""
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    (tmp_path / "a.parquet").write_bytes(b"PAR1")
    with pytest.raises(CannotRead, match="pyarrow") as caught:
        list(read_days(tmp_path / "a.parquet"))
    assert caught.value.why is Unread.TOOL_MISSING
    assert "Install" in caught.value.remedy


def test_an_empty_line_is_no_day() -> None:
    """Some programs end a file with one."""
    assert parse("date,serial,model\n2013-04-10,X1,A\n\n")[0].serial == "X1"
