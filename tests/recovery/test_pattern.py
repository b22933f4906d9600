import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.recovery.pattern import NOISE_BYTES, SECTOR_BYTES, Misread, Pattern

SEED = b"0123456789abcdef"
PATTERN = Pattern(SEED)
SECTORS = 10**9


def filled(pattern: Pattern, at: int, length: int) -> bytes:
    buffer = memoryview(bytearray(length))
    pattern.prepare(buffer)
    pattern.stamp(buffer, at)
    return bytes(buffer)


def test_a_buffer_is_what_is_expected_of_each_of_its_sectors() -> None:
    at = 7 * NOISE_BYTES
    content = filled(PATTERN, at, NOISE_BYTES)
    for index in (0, 1, 4711, NOISE_BYTES // SECTOR_BYTES - 1):
        piece = content[index * SECTOR_BYTES : (index + 1) * SECTOR_BYTES]
        assert piece == PATTERN.expected(at // SECTOR_BYTES + index)


def test_no_two_sectors_of_a_drive_are_alike_and_no_two_burn_ins_either() -> None:
    content = filled(PATTERN, 0, NOISE_BYTES)
    pieces = {content[i : i + SECTOR_BYTES] for i in range(0, NOISE_BYTES, SECTOR_BYTES)}
    assert len(pieces) == NOISE_BYTES // SECTOR_BYTES
    other = filled(Pattern(b"another-seed-0123"), 0, NOISE_BYTES)
    assert not pieces & {other[i : i + SECTOR_BYTES] for i in range(0, NOISE_BYTES, SECTOR_BYTES)}


def test_the_same_seed_gives_the_same_pattern() -> None:
    assert filled(Pattern(SEED), 0, 4096) == filled(Pattern(SEED), 0, 4096)
    with pytest.raises(ValueError, match="seed"):
        Pattern(b"short")


def test_a_place_is_whole_sectors() -> None:
    with pytest.raises(ValueError, match="whole sectors"):
        PATTERN.stamp(memoryview(bytearray(512)), 100)
    with pytest.raises(ValueError, match="whole sectors"):
        PATTERN.stamp(memoryview(bytearray(520)), 512)


@given(st.integers(0, SECTORS - 1))
def test_what_was_written_where_it_belongs_is_right(sector: int) -> None:
    assert PATTERN.explain(sector, PATTERN.expected(sector), SECTORS) is None


@given(st.integers(0, SECTORS - 1), st.integers(0, SECTORS - 1))
def test_a_sector_that_was_written_to_the_wrong_place_is_told_with_its_place(
    one: int, other: int
) -> None:
    wrong = PATTERN.explain(one, PATTERN.expected(other), SECTORS)
    if one == other:
        assert wrong is None
        return
    assert wrong is not None
    assert (wrong.kind, wrong.belongs_to) == (Misread.ELSEWHERE, other)


@given(st.integers(0, SECTORS - 1), st.integers(0, SECTOR_BYTES * 8 - 1))
def test_one_wrong_bit_anywhere_is_found(sector: int, bit: int) -> None:
    got = bytearray(PATTERN.expected(sector))
    got[bit // 8] ^= 1 << (bit % 8)
    wrong = PATTERN.explain(sector, bytes(got), SECTORS)
    assert wrong is not None
    assert (wrong.kind, wrong.bytes_wrong) == (Misread.CHANGED, 1)


def test_zeros_and_foreign_content_are_told_apart() -> None:
    zeros = PATTERN.explain(3, bytes(SECTOR_BYTES), SECTORS)
    earlier = PATTERN.explain(3, Pattern(b"an-earlier-burn-in").expected(3), SECTORS)
    assert zeros is not None
    assert earlier is not None
    assert (zeros.kind, earlier.kind) == (Misread.ZEROS, Misread.FOREIGN)
    assert "zeros" in zeros.sentence
    assert "not written now" in earlier.sentence
