"""What would have been told of recorded drives, and when."""

from __future__ import annotations

import gzip
import json
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.cli.state import command
from tests.readers.test_saved_reports import put, report
from watcher.cli.exits import Exit

HEADER = "date,serial,model,capacity_bytes,smart_5_raw,smart_9_raw,smart_197_raw,smart_187_raw\n"


def rows(serial: str, *, pending: tuple[int, ...]) -> str:
    """Give a drive's days: its pending sectors on each."""
    return "".join(
        f"2026-03-{day:02},{serial},Corvid Plough 4000,4000787030016,0,{20_000 + day * 24},{count},"
        f"{count}\n"
        for day, count in enumerate(pending, start=1)
    )


FADING = rows("PLOUGH0001", pending=(0, 0, 0, 8, 24, 40))
WELL = rows("PLOUGH0002", pending=(0, 0, 0, 0, 0, 0))


def replayed(*words: str) -> list[dict[str, Any]]:
    status, text = command(None, "replay", "--json", *words)
    assert status == Exit.DONE, text
    return [json.loads(line) for line in text.splitlines()]


def test_each_drive_is_one_object_with_exactly_these_parts(tmp_path: Path) -> None:
    fading, well = replayed(str(put(tmp_path / "a.csv", HEADER + FADING + WELL)))
    for one in (fading, well):
        assert list(one) == ["serial", "findings", "chance_30d", "first_alert"]
        assert [day["date"] for day in one["chance_30d"]] == [
            f"2026-03-{d:02}" for d in range(1, 7)
        ]
        assert all(0 < day["p"] < 1 for day in one["chance_30d"])
    assert fading["serial"] == "PLOUGH0001"
    assert list(fading["first_alert"]) == ["date", "urgency"]
    assert fading["first_alert"]["date"] == "2026-03-04"
    assert fading["first_alert"]["urgency"] in {"now", "today", "this-week"}
    assert all(list(found) == ["rule", "urgency", "date"] for found in fading["findings"])
    assert fading["chance_30d"][-1]["p"] > fading["chance_30d"][0]["p"]
    assert well["findings"] == []
    assert well["first_alert"] is None


def test_packed_parted_and_unordered_files_tell_the_same(tmp_path: Path) -> None:
    whole = replayed(str(put(tmp_path / "a.csv", HEADER + FADING + WELL)))
    lines = (FADING + WELL).splitlines(keepends=True)
    packed = tmp_path / "late.gz"
    packed.write_bytes(gzip.compress((HEADER + "".join(lines[3:6] + lines[9:])).encode()))
    early = put(tmp_path / "early.csv", HEADER + "".join(lines[6:9] + lines[:3]))
    assert replayed(str(packed), str(early)) == whole


def test_parquet_tells_the_same(tmp_path: Path) -> None:
    pandas = pytest.importorskip("pandas", reason="no pandas to write Parquet with")
    pytest.importorskip("pyarrow", reason="no pyarrow to read Parquet with")
    path = put(tmp_path / "a.csv", HEADER + FADING + WELL)
    pandas.read_csv(path).to_parquet(tmp_path / "a.parquet")
    assert replayed(str(tmp_path / "a.parquet")) == replayed(str(path))


def test_parquet_without_its_package_is_a_clear_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    path = put(tmp_path / "a.parquet", "PAR1")
    status, text = command(None, "replay", str(path))
    assert status == Exit.REFUSED
    assert "the package pyarrow is not installed. Install pyarrow, or write" in text


def test_a_folder_of_reports_is_replayed_in_order_of_time(tmp_path: Path) -> None:
    for day, count in ((5, 60), (1, 0), (3, 30)):
        put(tmp_path / "client" / f"2026-03-{day:02}.txt", report(uncorrectable=count))
    put(tmp_path / "client" / "cut.txt", report("PLOUGH0009")[:900])
    status, text = command(None, "replay", "--json", str(tmp_path / "client"))
    assert status == Exit.DONE
    first, *rest = text.splitlines()
    drive = json.loads(first)
    assert [day["date"] for day in drive["chance_30d"]] == [
        "2026-03-01",
        "2026-03-03",
        "2026-03-05",
    ]
    assert drive["first_alert"]["date"] == "2026-03-03"
    assert any(line.startswith("cut.txt was left out: ") for line in rest)


def test_a_single_report_and_a_table_go_together(tmp_path: Path) -> None:
    put(tmp_path / "2026-03-01.txt", report("PLOUGH0005"))
    table = put(tmp_path / "a.csv", HEADER + WELL)
    drives = replayed(str(table), str(tmp_path / "2026-03-01.txt"))
    assert [drive["serial"] for drive in drives] == ["PLOUGH0002", "PLOUGH0005"]


def test_a_person_reads_what_and_when_and_of_how_many(tmp_path: Path) -> None:
    path = put(tmp_path / "a.csv", HEADER + FADING + WELL)
    status, text = command(None, "replay", str(path))
    assert status == Exit.DONE
    assert "2026-03-04" in text
    assert "Corvid Plough 4000 PLOUGH0001" in text
    assert "PLOUGH0002" not in text
    assert "2 drives, 12 drive-days from 2026-03-01 to 2026-03-06." in text
    assert "told of 1 of them" in text


def test_the_thresholds_of_the_settings_are_used(tmp_path: Path) -> None:
    path = put(tmp_path / "a.csv", HEADER + FADING)
    (drive,) = replayed(str(path))
    config = tmp_path / "midwatch.yaml"
    names = {found["rule"] for found in drive["findings"]}
    lines = "".join(f"    - rule: {name}\n" for name in sorted(names))
    config.write_text(f"rules:\n  off:\n{lines}", encoding="utf-8")
    status, text = command(config, "replay", "--json", str(path))
    assert status == Exit.DONE, text
    assert not names & {found["rule"] for found in json.loads(text)["findings"]}


def test_a_row_that_comes_twice_is_left_out_and_counted(tmp_path: Path) -> None:
    path = put(tmp_path / "a.csv", HEADER + WELL + WELL.splitlines(keepends=True)[0])
    status, text = command(None, "replay", str(path))
    assert status == Exit.DONE
    assert "1 row was left out" in text


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a,b\n1,2\n", "the columns date, serial and model are needed"),
        ("", "the file is empty"),
        (HEADER + "2026-03-01,x\n", "cells"),
    ],
)
def test_what_is_no_record_is_refused_with_a_sentence(
    tmp_path: Path, text: str, words: str
) -> None:
    status, said = command(None, "replay", str(put(tmp_path / "a.csv", text)))
    assert status == Exit.REFUSED
    assert words in said


def test_what_is_not_there_or_holds_nothing_is_said(tmp_path: Path) -> None:
    status, text = command(None, "replay", str(tmp_path / "nothing.csv"))
    assert status == Exit.REFUSED
    assert "No such file" in text
    status, text = command(None, "replay", str(put(tmp_path / "a.csv", HEADER)))
    assert status == Exit.DONE
    assert "Nothing is recorded" in text
