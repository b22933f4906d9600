"""The search in a table of kernel messages."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from watcher.facts.kernel_event import Category
from watcher.readers.kernel_lines import arrays, devices, filesystems
from watcher.readers.kernel_lines.table import Index, Meaning, Row, first_match

ROWS = (*arrays.ROWS, *filesystems.ROWS, *devices.ROWS)
POOL = Row("a", Category.POOL, "failed on", r"failed on (?P<dev>\w+)")
NOISE = Row("b", Category.NOISE, "failed")


def test_the_first_row_that_fits_gives_the_meaning() -> None:
    assert first_match((POOL, NOISE), "failed on sdb") == Meaning(
        what="a", category=Category.POOL, device="sdb"
    )
    assert first_match((POOL, NOISE), "failed") == Meaning(what="b", category=Category.NOISE)
    assert first_match((POOL, NOISE), "well") is None


def test_a_device_node_is_called_by_its_name() -> None:
    row = Row("a", Category.POOL, "on", r"on (?P<dev>[\w/]+)")
    assert first_match((row,), "on /dev/sdb") == Meaning(
        what="a", category=Category.POOL, device="sdb"
    )


def test_every_row_says_what_it_is_and_its_pattern_compiles() -> None:
    for row in ROWS:
        assert row.what == row.what.lower(), row
        assert row.compiled.pattern, row


@given(
    st.lists(
        st.one_of(
            st.sampled_from([row.cue for row in ROWS]),
            st.text("0123456789 ()sdmdnve:", max_size=12),
        ),
        max_size=8,
    ).map("".join)
)
def test_the_memory_of_shapes_changes_no_answer(message: str) -> None:
    index = Index(ROWS, limit=2)
    assert index.read(message) == first_match(ROWS, message)
    assert index.read(message) == first_match(ROWS, message)
    assert index.read(message + "7") == first_match(ROWS, message + "7")
