"""Raw values are decoded where vendors pack several numbers, and never guessed.

Where a case names a source: the values come from it. Others are made up.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.facts.drive import Attribute, Metric
from watcher.readers.attributes import decode_attributes, plausible_celsius, raw_from_text


def row(
    number: int, name: str, raw_text: str, *, value: int = 100, raw: int | None = None
) -> Attribute:
    known = raw_from_text(raw_text) if raw is None else raw
    return Attribute(
        number=number,
        name=name,
        value=value,
        worst=value,
        threshold=10,
        raw=0 if known is None else known,
        raw_text=raw_text,
        prefail=False,
        failing_now=False,
        failed_before=False,
    )


def one(number: int, name: str, raw_text: str, **more: int) -> tuple[dict[Metric, int], int]:
    """Decode one row: its metrics, and how many doubts there were."""
    metrics, doubts = decode_attributes([row(number, name, raw_text, **more)])
    return metrics, len(doubts)


@pytest.mark.parametrize(
    ("text", "raw"),
    [
        ("0", 0),
        ("281474976710655", 2**48 - 1),
        ("16776 (0 1)", 16776 + 65536),
        ("0 (2000 0)", 2000 << 32),
        ("45144 (208 126 0)", 45144 | 208 << 40 | 126 << 32),
        ("1 2 3", 1 << 32 | 2 << 16 | 3),
        ("0x0000002a", 42),
        ("31 (Min/Max 20/40)", 31),
        ("940h+28m+52.660s", 940),
        ("", None),
        ("unknown", None),
        ("9" * 30, None),
    ],
)
def test_a_printed_raw_value_is_turned_back(text: str, raw: int | None) -> None:
    assert raw_from_text(text) == raw


@pytest.mark.parametrize(
    ("text", "value", "known", "doubts"),
    [
        ("24", 100, 24, 0),
        ("65535", 50, 65535, 0),
        ("0 (2000 0)", 100, 0, 0),  # first word counts (open reports: two makes of 2.5 inch drives)
        ("39 (30 0)", 100, 39, 0),
        ("1 (0 1)", 100, None, 1),  # value not sunk: not a 32-bit count
        ("16776 (0 1)", 80, 82312, 0),  # open reports: goes with a value of 80
        ("65136 (0 5)", 1, 392816, 0),  # open reports: failing, value 1
        ("5 (7 9)", 20, None, 1),
    ],
)
def test_reallocated_sectors_above_16_bits(
    text: str, value: int, known: int | None, doubts: int
) -> None:
    metrics, said = one(5, "Reallocated_Sector_Ct", text, value=value)
    assert (metrics.get(Metric.REALLOCATED_SECTORS), said) == (known, doubts)


@pytest.mark.parametrize(
    ("text", "known", "doubts"),
    [
        ("3", 3, 0),
        ("4295032833", 1, 0),  # 1, 1, 1: the most common packed value in the open reports
        ("8590065666", 2, 0),
        ("4295032834", 2, 0),  # 1, 1, 2
        ("1 1 3", 3, 0),
        (str(1 << 32 | 5 << 16 | 2), None, 1),  # more over 5 s than in all: not this packing
    ],
)
def test_command_timeouts_are_three_words(text: str, known: int | None, doubts: int) -> None:
    metrics, said = one(188, "Command_Timeout", text)
    assert (metrics.get(Metric.COMMAND_TIMEOUTS), said) == (known, doubts)


@pytest.mark.parametrize(
    ("name", "text", "known", "doubts"),
    [
        ("Power_On_Hours", "17000", 17000, 0),
        ("Power_On_Hours", "45144 (208 126 0)", 45144, 0),
        ("Power_On_Hours_and_Msec", "940h+28m+52.660s", 940, 0),
        ("Power_On_Minutes", "940h+28m", 940, 0),
        ("Power_On_Minutes", "56428", None, 1),  # a plain number of another unit
        ("Power_On_Hours", "3733407", None, 1),  # 426 years
        ("Power_On_Hours_and_Msec", "944047h+28m+52.660s", None, 1),
    ],
)
def test_power_on_time_is_in_hours_or_not_told(
    name: str, text: str, known: int | None, doubts: int
) -> None:
    metrics, said = one(9, name, text)
    assert (metrics.get(Metric.POWER_ON_HOURS), said) == (known, doubts)


@pytest.mark.parametrize(
    ("number", "name", "text", "metric", "known", "doubts"),
    [
        (197, "Current_Pending_Sector", "248384", Metric.PENDING_SECTORS, 248384, 0),
        (197, "Current_Pending_Sector", "4294967295", Metric.PENDING_SECTORS, None, 1),
        (197, "Current_Pending_Sector", "1179648", Metric.PENDING_SECTORS, None, 1),
        (197, "Bogus_Current_Pend_Sect", "5", Metric.PENDING_SECTORS, None, 0),
        (198, "Offline_Uncorrectable", "106678397698048", Metric.OFFLINE_UNCORRECTABLE, None, 1),
        (198, "Uncorrectable_Sector_Ct", "17/5280540", Metric.OFFLINE_UNCORRECTABLE, None, 1),
        (187, "Uncorrectable_Error_Cnt", "139108949", Metric.REPORTED_UNCORRECTABLE, None, 1),
        (187, "Reported_Uncorrect", "25797459968", Metric.REPORTED_UNCORRECTABLE, None, 1),
        (196, "Reallocated_Event_Count", "24248 (27830 0)", Metric.REALLOCATION_EVENTS, None, 1),
        (10, "Spin_Retry_Count", "327680", Metric.SPIN_RETRIES, None, 1),
        (199, "UDMA_CRC_Error_Count", "159687172", Metric.INTERFACE_CRC_ERRORS, 159687172, 0),
        (1, "Raw_Read_Error_Rate", "110643976", Metric.READ_ERRORS_UNCORRECTED, None, 0),
        (7, "Seek_Error_Rate", "182656820", Metric.SPIN_RETRIES, None, 0),
        (197, "Not_In_Use", "9", Metric.PENDING_SECTORS, None, 0),
        (193, "Load_Cycle_Count", "11579612", Metric.LOAD_CYCLES, 11579612, 0),
        (241, "Total_Writes_GiB", "252196302784", Metric.BYTES_WRITTEN, None, 1),
        (241, "Host_Writes_32MiB", "3", Metric.BYTES_WRITTEN, 3 * 32 * 1024**2, 0),
    ],
)
def test_absurd_counters_are_doubts_and_no_numbers(
    number: int, name: str, text: str, metric: Metric, known: int | None, doubts: int
) -> None:
    metrics, said = one(number, name, text)
    assert (metrics.get(metric), said) == (known, doubts)


@pytest.mark.parametrize(
    ("text", "known"),
    [
        ("31 (Min/Max 20/40)", 31),
        ("27 (0 18 0 0 0)", 27),
        ("-5 (Min/Max -9/40)", -5),
        ("33", 33),
        ("0", None),
        ("255", None),
        ("146029", None),
    ],
)
def test_temperatures_carry_extremes_and_may_be_absent(text: str, known: int | None) -> None:
    assert one(194, "Temperature_Celsius", text) == (
        {} if known is None else {Metric.TEMPERATURE_CELSIUS: known},
        0,
    )


def test_attribute_194_is_preferred_to_190_in_any_order() -> None:
    rows = [row(190, "Airflow_Temperature_Cel", "34"), row(194, "Temperature_Celsius", "36")]
    for order in (rows, rows[::-1]):
        assert decode_attributes(order)[0] == {Metric.TEMPERATURE_CELSIUS: 36}


def test_no_sensor_is_no_temperature() -> None:
    """smartmontools' SCSI source: 255 means not available; 0 likewise here (our choice)."""
    assert plausible_celsius(255) is None
    assert plausible_celsius(0) is None
    assert plausible_celsius(-273) is None
    assert plausible_celsius(37) == 37


def test_the_unit_of_written_blocks_is_trusted_only_for_known_drives() -> None:
    rows = [row(241, "Total_LBAs_Written", "1000")]
    assert decode_attributes(rows, in_table=True)[0] == {Metric.BYTES_WRITTEN: 512_000}
    assert decode_attributes(rows, in_table=False) == ({}, ())


def test_wear_is_read_by_name_and_maker() -> None:
    worn = Metric.WEAR_PERCENT
    assert one(202, "Percent_Lifetime_Remain", "7", value=93)[0] == {worn: 7}
    assert one(169, "Remaining_Lifetime_Perc", "53", value=100)[0] == {worn: 47}
    rows = [row(177, "Wear_Leveling_Count", "2125", value=90)]
    assert decode_attributes(rows, model="SAMSUNG MZ7")[0] == {worn: 10}
    assert decode_attributes(rows, model="Other")[0] == {}


def test_a_doubt_names_the_row_and_what_it_shows() -> None:
    _, doubts = decode_attributes([row(187, "Reported_Uncorrect", "25797459968")])
    (doubt,) = doubts
    assert "187 (Reported_Uncorrect) shows 25797459968" in doubt
    assert "It is not used." in doubt


@given(
    st.integers(1, 255),
    st.sampled_from(["Reallocated_Sector_Ct", "Current_Pending_Sector", "Power_On_Hours", "CRC"]),
    st.text(max_size=40),
    st.integers(0, 2**48 - 1),
)
def test_any_row_gives_metrics_within_their_ranges(
    number: int, name: str, text: str, raw: int
) -> None:
    metrics, _ = decode_attributes([row(number, name, text, raw=raw)])
    assert all(-40 <= value <= 10**18 for value in metrics.values())


@given(st.text())
def test_any_printed_raw_value_is_turned_back_or_not(text: str) -> None:
    raw = raw_from_text(text)
    assert raw is None or raw >= 0
