"""An archive that may come from anybody: whole and plain, or refused."""

from __future__ import annotations

import gzip
import io
import re
import tarfile
import zlib
from datetime import UTC, datetime

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from watcher.readers import archive
from watcher.readers.errors import CannotParse

AT = datetime(2026, 3, 2, 12, tzinfo=UTC)
NAMES = re.compile(r"[a-z]{1,8}(?:/[0-9]{1,4})?")
PACKED = archive.pack({"one": b"1" * 700, "two/2": b"second", "three": b""}, AT)


def tar_of(*infos: tuple[tarfile.TarInfo, bytes], form: int = tarfile.USTAR_FORMAT) -> bytes:
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w", format=form) as tar:
        for info, content in infos:
            info.size = len(content)
            tar.addfile(info, io.BytesIO(content))
    return gzip.compress(buffer.getvalue())


def info(name: str, kind: bytes = tarfile.REGTYPE, link: str = "") -> tarfile.TarInfo:
    made = tarfile.TarInfo(name)
    made.type, made.linkname = kind, link
    return made


@given(
    st.dictionaries(
        st.from_regex(NAMES, fullmatch=True), st.binary(max_size=2000), min_size=1, max_size=6
    )
)
def test_what_is_packed_is_read_the_same(contents: dict[str, bytes]) -> None:
    assert archive.parse(archive.pack(contents, AT), NAMES) == contents


def test_the_same_members_give_the_same_bytes() -> None:
    again = archive.pack({"one": b"1" * 700, "two/2": b"second", "three": b""}, AT)
    assert again == PACKED


def test_other_programs_can_read_it() -> None:
    """Python's tarfile is the outside reader here; GNU tar reads the same form."""
    with tarfile.open(fileobj=io.BytesIO(PACKED), mode="r:gz") as tar:
        assert tar.getnames() == ["one", "two/2", "three"]
        assert {member.mode for member in tar.getmembers()} == {0o600}


@pytest.mark.parametrize(
    ("made", "reason"),
    [
        (tar_of((info("../etc/passwd"), b"x")), "not one of ours"),
        (tar_of((info("/etc/passwd"), b"x")), "not one of ours"),
        (tar_of((info("one"), b"x"), (info("one"), b"y")), "comes twice"),
        (tar_of((info("one", tarfile.SYMTYPE, "/etc/passwd"), b"")), "plain files"),
        (tar_of((info("one", tarfile.LNKTYPE, "two"), b"")), "plain files"),
        (tar_of((info("one", tarfile.DIRTYPE), b"")), "plain files"),
        (tar_of((info("one", tarfile.CHRTYPE), b"")), "plain files"),
        (tar_of((info("one", tarfile.FIFOTYPE), b"")), "plain files"),
        (tar_of((info("o" * 200), b"x"), form=tarfile.GNU_FORMAT), "plain files"),
        (tar_of((info("o" * 90 + "é"), b"x"), form=tarfile.PAX_FORMAT), "plain files"),
        (gzip.compress(b"x" * 512), "damaged"),
        (gzip.compress(b""), "cut short"),
        (gzip.compress(gzip.decompress(PACKED) + b"x" * 512), "follows its end"),
        (PACKED + b"more", "follows its end"),
        (PACKED + PACKED, "follows its end"),
        (b"", "cut short"),
        (b"no gzip at all", "damaged"),
    ],
)
def test_whatever_is_not_a_plain_archive_of_ours_is_refused(made: bytes, reason: str) -> None:
    with pytest.raises(CannotParse, match=reason):
        archive.parse(made, NAMES)


@given(st.integers(min_value=0, max_value=len(PACKED) - 1))
def test_a_cut_archive_is_refused(end: int) -> None:
    with pytest.raises(CannotParse):
        archive.parse(PACKED[:end], NAMES)


@given(
    st.integers(min_value=10, max_value=len(PACKED) - 1), st.integers(min_value=1, max_value=255)
)
@example(92, 128)  # another distance back into a run of the same byte: other bits, same content
def test_a_flipped_byte_is_found_by_the_check_sum_or_changes_nothing(place: int, flip: int) -> None:
    """RFC 1952: CRC-32 and length of the content stand at the end."""
    damaged = bytearray(PACKED)
    damaged[place] ^= flip
    try:
        read = archive.parse(bytes(damaged), NAMES)
    except CannotParse:
        return
    assert read == archive.parse(PACKED, NAMES)


@given(st.binary(max_size=1500))
def test_any_bytes_in_a_tar_give_members_or_cannot_parse(content: bytes) -> None:
    try:
        archive.parse(gzip.compress(content), NAMES)
    except CannotParse:
        return
    assert not any(content)


@given(st.lists(st.tuples(st.integers(0, 1023), st.integers(0, 255)), min_size=1, max_size=5))
def test_a_damaged_table_gives_members_or_cannot_parse(changes: list[tuple[int, int]]) -> None:
    tar = bytearray(gzip.decompress(PACKED))
    for place, value in changes:
        tar[place] = value
    try:
        read = archive.parse(gzip.compress(bytes(tar), compresslevel=1), NAMES)
    except CannotParse:
        return
    assert set(read) <= {"one", "two/2", "three"}


def test_a_small_file_that_unpacks_to_a_huge_one_is_refused_early() -> None:
    """A hundred gigabytes of zero bytes would pack a thousandfold; only the limit is unpacked."""
    packer = zlib.compressobj(level=9, wbits=31)
    piece = b"\0" * (1 << 20)
    bomb = b"".join(packer.compress(piece) for _ in range((archive.TOTAL_BYTES >> 20) + 8))
    bomb += packer.flush()
    assert len(bomb) < 1 << 20
    with pytest.raises(CannotParse, match="unpacks to more than"):
        archive.parse(bomb, NAMES)


def test_a_member_that_claims_more_than_there_is_is_refused() -> None:
    tar = bytearray(gzip.decompress(PACKED))
    tar[124:136] = b"77777777777\0"
    tar[148:156] = b" " * 8
    tar[148:156] = b"%06o\0 " % sum(tar[:512])
    with pytest.raises(CannotParse, match="too much, or was cut"):
        archive.parse(gzip.compress(bytes(tar)), NAMES)


def test_too_much_is_not_packed() -> None:
    with pytest.raises(ValueError, match="too many"):
        archive.pack({"one": b"\0" * (archive.MEMBER_BYTES + 1)}, AT)


def test_a_file_too_large_to_be_one_is_not_even_unpacked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(archive, "TOTAL_BYTES", 100)
    with pytest.raises(CannotParse, match="too large"):
        archive.parse(PACKED, NAMES)
