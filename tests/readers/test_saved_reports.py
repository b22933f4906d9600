"""A folder of saved smartctl reports."""

from __future__ import annotations

import gzip
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.readers.drive_samples import ata_answer, ata_document, ata_lines, recorded
from watcher.facts.drive import Metric, Unread
from watcher.readers.errors import CannotParse, CannotRead
from watcher.readers.saved_reports import made_at, parse, read_reports

JSON = recorded("ata-healthy.json")
TEXT = "\n".join(ata_lines(ata_document())) + "\n"
SAVED = datetime(2026, 11, 25, 5, 43, 36, tzinfo=UTC)  # in the recorded answer itself


@pytest.mark.parametrize(
    ("text", "name", "at"),
    [
        ("{}", "a.json", None),
        ("{}", "sda-2026-03-01.json", datetime(2026, 3, 1, tzinfo=UTC)),
        ("{}", "sda_20260301.json", datetime(2026, 3, 1, tzinfo=UTC)),
        ("{}", "sda_20261341.json", None),
        ("{}", "serial120260301.json", None),
        ('{"local_time":{"time_t":1795585416}}', "2020-01-01", SAVED),
        ('{"local_time":{"time_t":true}}', "a", None),
        ('{"local_time":{"time_t":-5}}', "a", None),
        ("Local Time is:    Wed Nov 25 05:43:36 2026 UTC\n", "a", SAVED),
        ("Local Time is:    Wed Nov 31 05:43:36 2026 UTC\n", "a", None),
        ("Local Time is:    Wed Jun ... 2021 JST\n", "a", None),  # blanked by its publisher
        ("nothing", "a", None),
    ],
)
def test_a_report_is_dated_by_itself_or_by_its_name(
    text: str, name: str, at: datetime | None
) -> None:
    """Else it is not known."""
    assert made_at(text, name) == at


def test_json_and_text_are_read_alike() -> None:
    """The same drive in both forms."""
    one = parse(ata_answer(), name="2026-03-01.json")
    other = parse(TEXT, name="2026-03-01.txt")
    assert one.observed_at == other.observed_at == datetime(2026, 3, 1, tzinfo=UTC)
    for metric in (Metric.REALLOCATED_SECTORS, Metric.PENDING_SECTORS, Metric.POWER_ON_HOURS):
        assert one.metric(metric) == other.metric(metric) is not None


def test_a_folder_gives_readings_by_time_and_says_what_it_left_out(tmp_path: Path) -> None:
    """Nothing is left out without a reason."""
    (tmp_path / "a-2026-12-01.txt").write_text(TEXT)
    (tmp_path / "b.json.gz").write_bytes(gzip.compress(JSON.encode()))
    (tmp_path / "c.txt").write_text(TEXT)
    (tmp_path / "d-2026-12-01.json").write_text(JSON[:400])
    (tmp_path / "e.gz").write_bytes(gzip.compress(JSON.encode())[:90])
    (tmp_path / "below").mkdir()
    found = read_reports(tmp_path)
    assert [r.observed_at for r in found.readings] == [SAVED, datetime(2026, 12, 1, tzinfo=UTC)]
    assert [name for name, _ in found.left_out] == ["c.txt", "d-2026-12-01.json", "e.gz"]
    assert "tells its date" in found.left_out[0][1]
    assert all(why for _, why in found.left_out)


def test_a_folder_that_is_not_there_is_not_an_empty_one(tmp_path: Path) -> None:
    """CannotRead."""
    with pytest.raises(CannotRead) as caught:
        read_reports(tmp_path / "nothing")
    assert caught.value.why is Unread.VANISHED


@given(st.text(max_size=120), st.integers(0, len(TEXT)))
def test_any_text_and_any_cut_report_is_read_or_refused(text: str, cut: int) -> None:
    """Nothing else may come out."""
    for candidate in (text, "{" + text, TEXT[:cut]):
        try:
            parse(candidate, name="2026-03-01")
        except CannotParse:
            continue
