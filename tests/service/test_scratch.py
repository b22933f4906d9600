"""The scratch mirror to practise on; the whole exercise is in tests/lab/test_drill_btrfs.py."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.lab.loops import run, why_not
from watcher.readers.recorded import RecordedHost
from watcher.readers.runner import RealHost
from watcher.service.scratch import CannotPractise, Scratch, lacking, make_scratch

LACKING = why_not()


def test_what_is_lacking_is_said_and_nothing_is_made() -> None:
    assert lacking(RecordedHost(files={"/proc/filesystems": ""})) != ""
    with pytest.raises(CannotPractise):
        make_scratch(RecordedHost(files={"/proc/filesystems": ""}))


def test_a_program_that_fails_is_told_with_its_words() -> None:
    scratch = Scratch(host=RealHost(), folder=Path("/nowhere"))
    with pytest.raises(CannotPractise, match="ls did not work"):
        scratch.run("ls", "/no/such/place")


@pytest.mark.root
@pytest.mark.skipif(LACKING is not None, reason=f"a real btrfs {LACKING}")
def test_the_state_is_read_from_the_filesystem_and_all_of_it_is_taken_away() -> None:
    scratch = make_scratch(RealHost())
    try:
        scratch.build()
        assert (scratch.has_missing, scratch.has_single_copies) == (False, False)
        assert not scratch.was_scrubbed
        scratch.lose(2)
        assert scratch.has_missing
        assert scratch.has_single_copies  # what was written while it was missing
        assert not scratch.spare_joined
        run("btrfs", "replace", "start", "-B", "2", scratch.nodes[3], scratch.at)
        assert (scratch.spare_joined, scratch.has_missing) == (True, False)
    finally:
        scratch.remove()
    assert not scratch.folder.exists()
    assert str(scratch.folder) not in run("losetup", "-a") + run("cat", "/proc/mounts")
