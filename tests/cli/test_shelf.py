"""Sizes as they are printed on drives."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.state import command, prepare
from watcher.cli.shelf import parse_size


@pytest.mark.parametrize(
    ("text", "size"),
    [  # what drives of these sizes have: IDEMA LBA1-03 (from memory)
        ("500GB", 976_773_168 * 512),
        ("1TB", 1_953_525_168 * 512),
        ("1.5 TB", 2_930_277_168 * 512),
        ("4 TB", 7_814_037_168 * 512),
        ("8tb", 15_628_053_168 * 512),
        ("10TB", 19_532_873_728 * 512),  # from here on SFF-8447 (from memory)
        ("12TB", 23_437_770_752 * 512),
        ("16TB", 31_251_759_104 * 512),
    ],
)
def test_a_printed_size_means_the_sectors_that_makers_agreed_on(text: str, size: int) -> None:
    assert parse_size(text) == size


@pytest.mark.parametrize(
    ("text", "size"), [("931GiB", 931 * 1024**3), ("8001563222016", 8_001_563_222_016), ("0", None)]
)
def test_an_exact_size_stays_exact(text: str, size: int | None) -> None:
    assert parse_size(text) == size


def test_a_spare_of_the_printed_size_fits_drives_of_that_size(tmp_path: Path) -> None:
    """Not only on paper: the pool's drives have 8,001,563,222,016 bytes."""
    config = prepare(tmp_path, lose="")
    words = ("shelf", "add", "--model", "Calder 8", "--serial", "CA1", "--size", "8TB")
    status, text = command(config, *words)
    assert status == 0
    assert "fits all but" not in text
