"""Whatever comes from outside is read, or refused by the documented error, in bounded memory.

The stored inputs were found by coverage-guided fuzzing (``drive.py``) from outputs of our own runs
and minimised (``keep.py``). Each is run as it is, cut, and with pieces of others put into it.
"""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.fuzz.keep import CORPUS
from tests.fuzz.targets import NOW, TARGETS, run, signed_link
from watcher.service import links

PARTS_OF_MEMORY = 100
"""Bytes that one byte of input may cost at most while it is read. Our choice: measured were 17."""
FLOOR_BYTES = 256 << 10
"""On top, for what does not grow with the input. Our choice: measured were 50 kB."""


def stored(target: str) -> list[bytes]:
    return [path.read_bytes() for path in sorted((CORPUS / target).glob("*"))]


ALL = [(name, path) for name in TARGETS for path in sorted((CORPUS / name).glob("*"))]


def test_every_target_has_a_stored_corpus_and_every_corpus_a_target() -> None:
    assert {path.name for path in CORPUS.iterdir()} == set(TARGETS)
    assert all(stored(name) for name in TARGETS)


@pytest.mark.parametrize(("name", "path"), ALL, ids=[f"{n}-{p.name}" for n, p in ALL])
def test_a_stored_input_is_read_or_refused_in_bounded_memory(name: str, path: Path) -> None:
    data = path.read_bytes()
    run(name, data)  # once before, so that tables built at first use do not count
    tracemalloc.start()
    try:
        run(name, data)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak <= PARTS_OF_MEMORY * len(data) + FLOOR_BYTES


@pytest.mark.parametrize("name", TARGETS)
@settings(deadline=None)  # tables are built at first use; drive.py has a limit of time
@given(data=st.data())
def test_a_changed_input_is_read_or_refused(name: str, data: st.DataObject) -> None:
    """Cut, doubled, bytes changed, a piece of another put in."""
    inputs = stored(name)
    whole = data.draw(st.sampled_from(inputs))
    other = data.draw(st.sampled_from(inputs))
    at = data.draw(st.integers(0, len(whole)))
    upto = data.draw(st.integers(at, len(whole)))
    begin = data.draw(st.integers(0, len(other)))
    piece = data.draw(st.one_of(st.just(other[begin : begin + 80]), st.binary(max_size=20)))
    run(name, whole[:at] + piece + whole[upto:])


@given(st.integers(0, 10_000), st.integers(1, 255))
def test_a_link_with_one_bit_or_more_changed_never_opens(at: int, change: int) -> None:
    good = signed_link()
    at %= len(good)
    bad = good[:at] + bytes([good[at] ^ change]) + good[at + 1 :]
    key = links.SigningKey(number=1, secret=b"k" * 32, made_at=NOW)
    found = links.check(bad.decode("utf-8", "replace"), (key,), NOW)
    assert not isinstance(found, links.Link)
