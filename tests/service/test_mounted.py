"""Whether the file system of the state folder is there; the form of the list: fstab(5)."""

from __future__ import annotations

from pathlib import Path

import pytest

from watcher.service.mounted import lacks_mount, not_mounted

STATE = Path("/var/lib/midwatch")
LIST = """
# <file system> <mount point> <type> <options> <dump> <pass>
UUID=1 / ext4 errors=remount-ro 0 1
UUID=2 none swap sw 0 0
UUID=3 /srv/my\\040films xfs defaults 0 2
UUID=4 /home ext4 defaults 0 2
UUID=5 /var/lib/midwatch ext4 defaults,nofail 0 2
#UUID=6 /var/lib ext4 defaults 0 2
"""


def mounted(*places: str) -> set[Path]:
    return {Path(place) for place in ("/", *places)}


def test_what_stands_in_the_list_and_is_not_there_is_lacking() -> None:
    assert not_mounted(STATE, LIST, mounted().__contains__) == STATE
    assert not_mounted(STATE, LIST, mounted("/var/lib/midwatch").__contains__) is None
    assert not_mounted(Path("/srv/my films/a"), LIST, mounted().__contains__) == Path(
        "/srv/my films"
    )
    assert not_mounted(Path("/opt/state"), LIST, mounted().__contains__) is None


@pytest.mark.parametrize("options", ["noauto", "defaults,noauto", "bind", "rw,rbind"])
def test_what_need_not_be_there_is_not_lacking(options: str) -> None:
    line = f"UUID=5 /var/lib/midwatch ext4 {options} 0 2\n"
    assert not_mounted(STATE, line, mounted().__contains__) is None


@pytest.mark.parametrize("text", ["", "\0\0", "a b", "UUID=5 /var/lib/midwatch", "\\999 \\ x y"])
def test_a_list_that_cannot_be_read_lacks_nothing(text: str) -> None:
    assert not_mounted(STATE, text, mounted().__contains__) is None


def test_of_this_machine_it_can_be_asked(tmp_path: Path) -> None:
    assert lacks_mount(tmp_path) is None
