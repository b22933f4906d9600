"""What snapraid's configuration and commands say, parsed strictly."""

from __future__ import annotations

import contextlib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.lab.step_host import SNAPRAID_CONF, SYNCED, kept_step
from watcher.readers.errors import CannotParse
from watcher.readers.pools.file_parity_parse import (
    Changes,
    Layout,
    Report,
    parse_changes,
    parse_layout,
    parse_report,
)

PARSERS: list[Any] = [parse_layout, parse_report, parse_changes]
WORDS = (
    "parity /p", "data d1 /mnt/d1", "content /c", "SnapRAID status report:", "No error detected.",
    "No sync is in progress.", "       4       0       0     0.0       0       0   9% d1",
    " 5 equal", " 1 added", "There are differences!", "2-parity", "#", " ", "%",
)  # fmt: skip


@given(st.one_of(st.text(), st.lists(st.sampled_from([*WORDS, "\n"])).map("".join)))
def test_any_text_gives_a_value_or_cannot_parse(text: str) -> None:
    for parse in PARSERS:
        with contextlib.suppress(CannotParse):
            parse(text)


def test_a_configuration_names_its_disks() -> None:
    assert parse_layout(SNAPRAID_CONF) == Layout(
        data=(("d1", "/mnt/d1"), ("d2", "/mnt/d2"), ("d3", "/mnt/d3")),
        parity=((1, ("/mnt/p1/snapraid.parity",)),),
        content=("/var/snapraid/snapraid.content", "/mnt/d1/.snapraid.content"),
    )


def test_levels_old_names_and_split_parity_are_known() -> None:
    text = (
        "# a comment\nparity /p1/a,/p2/b\nq-parity /p3/c\n3-parity /p4/d\ncontent /c\n"
        "disk old /mnt/my disk/\nblocksize 256\nautosave 500\n"
    )
    layout = parse_layout(text)
    assert layout.parity == ((1, ("/p1/a", "/p2/b")), (2, ("/p3/c",)), (3, ("/p4/d",)))
    assert layout.data == (("old", "/mnt/my disk"),)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "parity /p\ncontent /c\n",  # no data
        "data d1 /d1\ncontent /c\n",  # no parity
        "parity /p\ndata d1 /d1\n",  # no content
        "parity /p\n3-parity /q\ncontent /c\ndata d1 /d1\n",  # level 2 left out
        "parity /p\nparity /q\ncontent /c\ndata d1 /d1\n",
        "parity /p\ncontent /c\ndata d1 /d1\ndata d1 /d2\n",
        "parity p\ncontent /c\ndata d1 /d1\n",
    ],
)
def test_a_configuration_that_cannot_be_is_refused(text: str) -> None:
    with pytest.raises(CannotParse):
        parse_layout(text)


def test_a_report_of_a_synced_array() -> None:
    assert parse_report(kept_step("snapraid", "02-sync")["status.txt"]) == Report(
        names=("d1", "d2", "d3"),
        files=12,
        empty=False,
        sync_percent=None,
        unscrubbed_percent=100,
        bad_blocks=0,
        oldest_days=0,
        newest_days=0,
    )


def test_a_report_of_bad_blocks_and_of_an_empty_array() -> None:
    bad = parse_report(kept_step("snapraid", "04-silent-corruption")["status.txt"])
    empty = parse_report(kept_step("snapraid", "01-before-sync")["status.txt"])
    assert (bad.bad_blocks, bad.unscrubbed_percent) == (1, 0)
    assert (empty.empty, empty.files, empty.names) == (True, 0, ("d1", "d2", "d3"))


def test_a_sync_that_was_broken_off_is_told() -> None:
    """The sentence from memory of snapraid's own source (status.c)."""
    text = kept_step("snapraid", "02-sync")["status.txt"]
    half = text.replace("No sync is in progress.", "You have a sync in progress at 37%.")
    assert parse_report(half).sync_percent == 37


@pytest.mark.parametrize(
    "sentence",
    [
        "SnapRAID status report:",
        "No sync is in progress.",
        "The 100% of the array is not scrubbed.",
        "No error detected.",
    ],
)
def test_a_report_without_one_of_its_sentences_was_cut(sentence: str) -> None:
    text = kept_step("snapraid", "02-sync")["status.txt"]
    assert sentence in text
    with pytest.raises(CannotParse):
        parse_report(text.replace(sentence, ""))
    with pytest.raises(CannotParse):
        parse_report(text.replace(sentence, f"{sentence}\n{sentence}"))


def test_a_table_that_does_not_add_up_is_refused() -> None:
    lines = kept_step("snapraid", "02-sync")["status.txt"].splitlines(keepends=True)
    without = "".join(line for line in lines if not line.endswith(" d2\n"))
    with pytest.raises(CannotParse, match="add up"):
        parse_report(without)


def test_changes_are_counted() -> None:
    seen = parse_changes(kept_step("snapraid", "03-unsynced-changes")["diff.txt"])
    assert seen == Changes(
        added=1, removed=1, updated=1, moved=0, copied=0, restored=0, emptied=(), replaced=()
    )
    assert seen.total == 3


def test_a_disk_that_is_empty_or_another_one_is_named() -> None:
    seen = parse_changes(kept_step("snapraid", "06-fix-onto-new-disk")["diff.txt"])
    assert (seen.removed, seen.emptied, seen.replaced) == (5, ("d2",), ("d2",))


def test_no_changes_are_none() -> None:
    assert parse_changes(f"{SYNCED}No differences\n").total == 0


def test_changes_that_contradict_themselves_are_refused() -> None:
    with pytest.raises(CannotParse, match="contradicts"):
        parse_changes(f"{SYNCED}There are differences!\n")
    with pytest.raises(CannotParse, match="cut"):
        parse_changes(SYNCED)
