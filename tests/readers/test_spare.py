import json
from datetime import UTC, datetime
from typing import Any

import pytest

from watcher.facts.drive import DriveIdentity
from watcher.readers.block_map import loop_id
from watcher.readers.blocks import COMMAND
from watcher.readers.errors import CannotRead
from watcher.readers.recorded import RecordedHost
from watcher.readers.spare import look_at_spare

T0 = datetime(2026, 3, 1, tzinfo=UTC)
DISK = {"name": "sdz", "kname": "sdz", "type": "disk", "size": 8 * 10**12, "serial": "X1",
        "model": "Altair A8", "children": [
            {"name": "sdz1", "kname": "sdz1", "type": "part", "size": 100}]}  # fmt: skip
LOOP = {"name": "loop7", "kname": "loop7", "type": "loop", "size": 1024}


def box(**more: Any) -> RecordedHost:
    listed = json.dumps({"blockdevices": [DISK, LOOP]})
    files = {"/sys/block/loop7/loop/backing_file": "/tmp/a.img\n"}
    return RecordedHost(programs={COMMAND: (0, listed, "")}, files=files, **more)


def test_a_drive_that_does_not_answer_is_known_by_the_block_layer() -> None:
    found = look_at_spare(box(), "/dev/sdz", T0)
    assert isinstance(found, DriveIdentity)
    assert (found.model, found.serial, found.capacity_bytes) == ("Altair A8", "X1", 8 * 10**12)


def test_a_loop_device_is_known_by_the_file_behind_it() -> None:
    found = look_at_spare(box(), "/dev/loop7", T0)
    assert isinstance(found, DriveIdentity)
    assert (found.drive, found.serial) == (loop_id("/tmp/a.img"), "/tmp/a.img")


def test_a_partition_or_nothing_is_no_spare() -> None:
    assert look_at_spare(box(), "/dev/sdz1", T0) is None
    assert look_at_spare(box(), "/dev/sdq", T0) is None


def test_without_a_list_of_devices_nothing_is_known() -> None:
    with pytest.raises(CannotRead):
        look_at_spare(RecordedHost(), "/dev/sdz", T0)
