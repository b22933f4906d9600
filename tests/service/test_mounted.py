"""Whether the file system of the state folder is there; the form of the list: fstab(5)."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from watcher.service.mounted import (
    UNITS,
    lacks_mount,
    not_mounted,
    unit_lacks,
    unit_of,
    units_in_force,
)

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


NAMES = ["/", "/srv", "/srv/my-films/a b", "/.hidden/x.y", "/srv/f\u00fcr/_a:b", "/a//b/"]


@pytest.mark.skipif(shutil.which("systemd-escape") is None, reason="needs systemd-escape")
@pytest.mark.parametrize("place", NAMES)
def test_a_unit_is_named_as_systemd_names_it(place: str) -> None:
    """Source: systemd-escape(1) of the machine itself."""
    words = ["systemd-escape", "--path", "--suffix=mount", place]
    said = subprocess.run(words, capture_output=True, text=True, check=True).stdout.strip()
    assert unit_of(Path(place)) == said


def write_unit(units: Path, text: str = "[Mount]\nWhat=/dev/sdb1\n", wants: str = "wants") -> Path:
    """Write the unit of /srv/my-films, and have a target ask for it."""
    file = units / "srv-my\\x2dfilms.mount"
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(text, encoding="utf-8")
    target = units / f"local-fs.target.{wants}"
    target.mkdir()
    (target / file.name).symlink_to(file)
    return file


@pytest.mark.parametrize("wants", ["wants", "requires"])
def test_what_a_unit_should_mount_and_is_not_there_is_lacking(tmp_path: Path, wants: str) -> None:
    write_unit(tmp_path / "etc", wants=wants)
    units, films = (tmp_path / "etc", tmp_path / "run"), Path("/srv/my-films")
    assert unit_lacks(films / "state", units, mounted().__contains__) == films
    assert unit_lacks(films / "state", units, mounted(str(films)).__contains__) is None
    assert unit_lacks(STATE, units, mounted().__contains__) is None


@pytest.mark.parametrize(
    "text", ["[Mount]\nWhat=/a\nOptions=rw, bind\n", "[Mount]\nOptions = rbind\n", ""]
)
def test_a_unit_that_binds_or_is_masked_lacks_nothing(tmp_path: Path, text: str) -> None:
    write_unit(tmp_path, text)
    assert unit_lacks(Path("/srv/my-films"), (tmp_path,), mounted().__contains__) is None


def test_a_unit_that_no_target_asks_for_lacks_nothing(tmp_path: Path) -> None:
    file = write_unit(tmp_path)
    (tmp_path / "local-fs.target.wants" / file.name).unlink()
    assert unit_lacks(Path("/srv/my-films"), (tmp_path,), mounted().__contains__) is None


def test_a_unit_that_is_masked_over_another_lacks_nothing(tmp_path: Path) -> None:
    file = write_unit(tmp_path / "usr")
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc" / file.name).symlink_to("/dev/null")
    units = (tmp_path / "etc", tmp_path / "usr")
    assert unit_lacks(Path("/srv/my-films"), units, mounted().__contains__) is None


def test_where_systemd_does_not_run_its_units_mount_nothing(tmp_path: Path) -> None:
    """A container with the package has ``tmp.mount``, and a ``/tmp`` that is no mount."""
    assert units_in_force(tmp_path / "none") == ()
    assert units_in_force(tmp_path) == UNITS


def test_a_state_folder_that_is_a_link_is_looked_for_where_it_leads(tmp_path: Path) -> None:
    """The link leads nowhere while its drive is away."""
    state = tmp_path / "state"
    state.symlink_to("/srv/films/midwatch")
    line = "UUID=5 /srv/films ext4 defaults 0 2\n"
    assert not_mounted(state, line, mounted().__contains__) == Path("/srv/films")
    assert not_mounted(state, line, mounted("/srv/films").__contains__) is None
