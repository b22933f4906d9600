"""Explaining a saved log."""

from __future__ import annotations

import importlib
import json
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.facts.kernel_event import Category
from watcher.readers.kernel_explain import (
    MOST_SHOWN,
    explain,
    to_json_lines,
    to_text,
)
from watcher.readers.kernel_prefix import Dating

bench = importlib.import_module("tests.bench.kernel_logs")

NOW = datetime(2026, 11, 25, 13, 30, tzinfo=UTC)
DATING = Dating(now=NOW)
UNC = "Nov 25 13:22:01 box kernel: [  1234.5] ata3.00: error: { UNC }"
RESET = "Nov 25 13:22:02 box kernel: [  1235.5] ata3: hard resetting link"
FAILED = "md/raid:md0: Disk failure on sdb, disabling device."
GONE = "sd 0:0:1:0: [sdb] rejecting I/O to dead device"
TIMEOUT = "sd 0:0:1:0: [sdb] tag#1 timing out command, waited 180s"


@pytest.mark.parametrize(
    ("lines", "verdict"),
    [
        ((), Category.NOISE),
        (("audit: type=1400",), Category.NOISE),
        ((UNC, RESET, FAILED), Category.MEDIUM),
        ((FAILED, GONE), Category.POOL),
        ((GONE,), Category.GONE),
        ((GONE, TIMEOUT), Category.CONTROLLER),  # it did not go by itself
        ((RESET,), Category.CONTROLLER),
        ((RESET, TIMEOUT, "ata3.00: error: { ICRC ABRT }"), Category.LINK),
        (("sd 0:0:1:0: Device offlined - not ready after error recovery",), Category.CONTROLLER),
        ((GONE, "md: super_written gets error=-5"), Category.POOL),
        (("EXT4-fs (md0): Remounting filesystem read-only", TIMEOUT), Category.CONTROLLER),
    ],
)
def test_the_verdict_is_what_matters_most(lines: tuple[str, ...], verdict: Category) -> None:
    assert explain("\n".join(lines), DATING).verdict is verdict


def test_an_event_says_when_who_what_and_what_to_do() -> None:
    found = explain(f"{UNC}\n{UNC}\n", DATING)
    (event,) = found.events
    assert (event.category, event.device, event.count) == (Category.MEDIUM, "ata3.00", 1)
    assert event.at == datetime(2026, 11, 25, 13, 22, 1, tzinfo=UTC)
    text = to_text(found)
    assert "2026-11-25 13:22:01  medium  ata3.00" in text
    assert event.means in text
    assert event.do in text
    assert text.endswith("Verdict: medium. A drive could not read or keep data.\n")


def test_noise_is_counted_and_shown_on_demand() -> None:
    found = explain("ata3: EH complete\nmd: data-check of RAID array md0", DATING)
    assert "Harmless messages about storage: 2." in to_text(found)
    assert "md: data-check of RAID array md0" in to_text(found, all_events=True)
    assert "no time given" in to_text(found, all_events=True)


def test_a_text_without_kernel_lines_says_so() -> None:
    for text, count in (("\n\n", "0 lines"), ("root:x:0:0:root:/root:/bin/bash\n", "1 line")):
        told = to_text(explain(text, DATING))
        assert f"{count} read; nothing in them about storage that is known here." in told


def test_json_has_an_object_per_event_and_the_verdict_last() -> None:
    rows = [
        json.loads(row) for row in to_json_lines(explain(f"{UNC}\n{FAILED}", DATING)).splitlines()
    ]
    assert [(row.get("category"), row.get("subject")) for row in rows[:-1]] == [
        ("medium", "ata3.00"),
        ("pool", "sdb"),
    ]
    assert set(rows[0]) >= {"time", "category", "subject", "what", "means", "do", "count"}
    assert rows[-1] == {"verdict": "medium"}


def test_a_log_of_many_devices_is_cut_and_says_so() -> None:
    lines = [f"critical medium error, dev dm-{n}, sector 1" for n in range(MOST_SHOWN + 7)]
    found = explain("\n".join(lines), DATING)
    assert (len(found.events), found.left_out) == (MOST_SHOWN, 7)
    assert "Different events not shown: 7." in to_text(found)


@given(st.text(max_size=400))
def test_any_text_is_explained(text: str) -> None:
    found = explain(text, DATING)
    assert to_text(found)
    assert json.loads(to_json_lines(found).splitlines()[-1]) == {"verdict": found.verdict.value}


def test_real_excerpts_get_the_verdict_that_a_person_gave_them() -> None:
    counts = bench.confusion()
    if counts is None:
        pytest.skip("the labelled excerpts are not beside the repository")
    assert bench.share_right(counts) >= bench.WANTED_SHARE
    assert not any(
        number
        for (label, found), number in counts.items()
        if label is Category.NOISE and found is not Category.NOISE
    )
