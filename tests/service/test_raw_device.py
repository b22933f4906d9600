import ctypes
import errno
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.lab.loops import MIB, loop_drives, why_not
from watcher.service.raw_device import ALIGNMENT_BYTES, BlockDevice, aligned, same

LACKING = why_not()
needs_loops = pytest.mark.skipif(LACKING is not None, reason=f"a real loop device {LACKING}")


@given(st.integers(1, 3 * ALIGNMENT_BYTES))
def test_a_buffer_begins_where_direct_io_wants_it(length: int) -> None:
    buffer = aligned(length)
    assert len(buffer) == length
    assert ctypes.addressof(ctypes.c_char.from_buffer(buffer)) % ALIGNMENT_BYTES == 0


@given(st.binary(max_size=600), st.binary(max_size=600))
def test_buffers_are_the_same_when_their_bytes_are(one: bytes, other: bytes) -> None:
    a, b = memoryview(bytearray(one)), memoryview(bytearray(other))
    assert same(a, b) == (one == other)
    assert same(a, memoryview(bytearray(one)))


@pytest.mark.root
@needs_loops
def test_a_device_is_written_and_read_past_the_cache_and_held_alone(tmp_path: Path) -> None:
    with loop_drives(tmp_path, 1, size_mib=8) as (drive,):
        device = BlockDevice(drive.node or "", writes=True)
        assert (device.size, device.sector) == (8 * MIB, 512)
        out, back = aligned(MIB), aligned(MIB)
        out[:] = os.urandom(MIB)
        device.write_at(3 * MIB, out)
        device.flush()
        device.read_at(3 * MIB, back)
        assert same(out, back)
        assert drive.image.read_bytes()[3 * MIB : 4 * MIB] == out.tobytes()
        with pytest.raises(OSError, match="busy") as held:
            BlockDevice(drive.node or "", writes=True)
        assert held.value.errno == errno.EBUSY
        with pytest.raises(OSError, match="ended early"):
            device.read_at(8 * MIB, back)  # beyond the end
        device.close()
        reader = BlockDevice(drive.node or "", writes=False)
        with pytest.raises(OSError, match="Bad file"):
            reader.write_at(0, out)
        reader.close()


def test_what_is_no_device_is_refused(tmp_path: Path) -> None:
    plain = tmp_path / "file"
    plain.write_bytes(bytes(4096))
    with pytest.raises(OSError, match=r"ioctl|Inappropriate"):
        BlockDevice(str(plain), writes=False)
