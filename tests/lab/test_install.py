"""The installer on a Debian of its own: dry, fresh, twice, away, and from the first version.

The guest's root file system is mounted with a layer above it that is thrown away, and the script
runs in it by chroot, at the speed of this machine. systemd does not run there; with it the
installer is tried in ``test_guest.py`` and ``test_guest_install.py``. The tests run in order.
"""

from __future__ import annotations

import shutil
import subprocess
import tarfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.lab.guest.first_version import first_version
from tests.lab.guest.lab import INSTALL, ready_or_skip
from tests.lab.guest.ready import why_not

LACKING = why_not()
pytestmark = [
    pytest.mark.lab,
    pytest.mark.skipif(LACKING is not None, reason=f"the installer's Debian {LACKING}"),
]

SCRIPT = "bash /root/parcel/systemd/install.sh"
PLACES = "/opt/midwatch /etc/midwatch /var/lib/midwatch /usr/local /etc/systemd/system"
STATE = "/var/lib/midwatch/midwatch.db"


class Room:
    """A root file system that can be run in."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def run(self, command: str, *, check: bool = True) -> str:
        """Run a command in it; gives what it printed."""
        done = subprocess.run(
            [
                *("chroot", str(self.root), "/usr/bin/env", "-i", "HOME=/root"),
                "PATH=/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
                *("bash", "-c", command),
            ],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
            timeout=600,
        )
        assert done.returncode == 0 or not check, done.stdout + done.stderr
        return done.stdout + done.stderr

    def listing(self) -> set[str]:
        """List all that the installer may touch; sizes too, but for the history's own."""
        said = self.run(
            f"find {PLACES} -xdev ! -name '*.pyc' ! -name __pycache__ ! -name 'midwatch.db-*' "
            "-printf '%p %M %u:%g %y:%s %l\\n' 2>/dev/null; getent passwd midwatch",
            check=False,
        )
        lines = {line.partition(" d:")[0] for line in said.split("\n")} - {""}
        own = f"{STATE} "
        return {line.partition(" f:")[0] if line.startswith(own) else line for line in lines}

    def forms(self) -> dict[str, int]:
        """Give the form of the history and of each of its copies."""
        found = {}
        for path in self.run(f"ls {STATE} {STATE}.before-* 2>/dev/null", check=False).split():
            look = f"import sqlite3; print(sqlite3.connect('{path}').execute("
            look += "'SELECT max(number) FROM schema_step').fetchone()[0])"
            found[path.removeprefix(STATE)] = int(self.run(f'python3 -c "{look}"'))
        return found


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Room]:
    """Mount the root file system with a layer above it, midwatch taken away."""
    made = ready_or_skip()
    folder = tmp_path_factory.mktemp("debian")
    below, layer, root = folder / "below", folder / "layer", folder / "root"
    mounted: list[Path] = []

    def mount(*words: str | Path, at: Path) -> None:
        at.mkdir(exist_ok=True)
        if subprocess.run(["mount", *words, at], check=False).returncode:
            pytest.skip("the installer's Debian cannot be mounted here")
        mounted.append(at)

    try:
        mount("-o", "loop,ro", made.image / "root.ext4", at=below)
        mount("-t", "tmpfs", "-o", "size=2g", "tmpfs", at=layer)
        for name in ("up", "work"):
            (layer / name).mkdir()
        layers = f"lowerdir={below},upperdir={layer / 'up'},workdir={layer / 'work'}"
        mount("-t", "overlay", "overlay", "-o", layers, at=root)
        mount("--bind", "/dev", at=root / "dev")
        mount("-t", "proc", "proc", at=root / "proc")
        with tarfile.open(made.parcel) as tar:
            tar.extractall(root / "root" / "parcel", filter="data")
        one = Room(root)
        one.run(f"{SCRIPT} --purge")
        yield one
    finally:
        for at in reversed(mounted):
            subprocess.run(["umount", "-l", at], check=True)


def test_a_dry_run_on_a_bare_machine_says_all_and_does_nothing(room: Room) -> None:
    before = room.listing()
    assert not [line for line in before if "midwatch" in line], before
    for words in ("", "--halves", "--remove", "--purge"):
        assert "midwatch" in room.run(f"{INSTALL} --dry-run {words}")
        assert room.listing() == before, words


def test_a_fresh_install_has_the_right_modes_and_looks(room: Room) -> None:
    room.run(INSTALL)
    assert "Pools" in room.run("midwatch watch --once")
    modes = room.run(f"stat -c '%n %a %U:%G' /etc/midwatch /var/lib/midwatch {STATE}")
    assert modes.splitlines() == [
        "/etc/midwatch 750 root:root",
        "/var/lib/midwatch 750 root:root",
        f"{STATE} 640 root:root",
    ]
    assert room.run("readlink /usr/local/bin/midwatch").strip() == "/opt/midwatch/bin/midwatch"
    assert "look" in room.run("cat /usr/local/share/man/man8/midwatch.8")
    for place in (
        "bash-completion/completions/midwatch",
        "zsh/site-functions/_midwatch",
        "fish/vendor_completions.d/midwatch.fish",
    ):
        room.run(f"test -s /usr/local/share/{place}")


def test_a_second_install_only_adds_a_copy_of_the_history_and_three_are_kept(room: Room) -> None:
    before = room.listing()
    room.run(INSTALL)
    new, gone = room.listing() - before, before - room.listing()
    assert [line.startswith(f"{STATE}.before-") for line in new] == [True], new
    assert gone == set()
    for day in ("20200101", "20200102", "20200103"):
        room.run(f"cp -p {STATE} {STATE}.before-{day}T000000Z")
    room.run(INSTALL)
    kept = room.run(f"ls {STATE}.before-*").split()
    assert len(kept) == 3
    assert not [path for path in kept if "before-20200101" in path], "the oldest go first"


def test_removing_keeps_history_and_purging_leaves_nothing(room: Room) -> None:
    for _ in range(2):  # twice is once
        room.run(f"{SCRIPT} --remove")
    left = {line.split()[0] for line in room.listing() if "midwatch" in line}
    assert {Path(path).parent.as_posix() for path in left} <= {
        "/etc", "/var/lib", "/var/lib/midwatch",
    }  # fmt: skip
    assert STATE in left
    for _ in range(2):
        room.run(f"{SCRIPT} --purge")
    left = {line for line in room.listing() if "midwatch" in line}
    assert left == set()


def test_from_the_first_version_all_that_was_known_is_kept(room: Room, tmp_path: Path) -> None:
    """The case that the first version opened is there, and the history of then lies beside."""
    old = first_version(tmp_path)
    if old is None:
        pytest.skip("needs the history of the repository for the first version")
    (room.root / "root" / "first").mkdir()
    for file in (old.wheel, old.unit):
        shutil.copy(file, room.root / "root" / "first")
    room.run(
        "python3 -m venv /opt/midwatch && /opt/midwatch/bin/pip install -q --no-index "
        "--find-links /root/parcel/wheels /root/first/midwatch-*.whl && "
        "install -d -m 0750 /etc/midwatch /var/lib/midwatch && "
        "ln -sfn /opt/midwatch/bin/midwatch /usr/local/bin/midwatch && "
        "cp /root/first/midwatch.service /etc/systemd/system/ && "
        "printf 'box_name: attic\\nstate_directory: /var/lib/midwatch\\n' "
        "> /etc/midwatch/midwatch.yaml"
    )
    room.run(
        "midwatch watch > /root/said & pid=$!; for i in $(seq 600); do grep -q Watching /root/said "
        "&& break; sleep 0.1; done; kill $pid; wait $pid; grep Watching /root/said"
    )
    assert room.forms() == {"": old.form}
    before = [line.split()[0] for line in room.run("midwatch cases").splitlines() if line[0] != " "]
    assert before
    settings = room.run("md5sum /etc/midwatch/midwatch.yaml")
    assert "the history was copied to" in room.run(INSTALL)
    room.run("midwatch watch --once")
    after = [line.split()[0] for line in room.run("midwatch cases --all").splitlines()]
    assert set(before) <= set(after)
    assert room.run("md5sum /etc/midwatch/midwatch.yaml") == settings
    forms = room.forms()
    assert forms.pop("") > old.form
    assert 1 <= len(forms) <= 3
    assert set(forms.values()) == {old.form}, "the copies are as it was before"
