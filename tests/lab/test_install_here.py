"""The installer on a throw-away layer over this very machine: cut off, under odd umasks, and back.

What it installs is a stand-in, so that neither a network nor a build is needed; with the real
program, on Debian 12 and 13, it is tried in ``test_install.py``. The tests run in order.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

PARCEL = "/srv/a parcel"
INSTALL = f"bash '{PARCEL}/systemd/install.sh' --wheels '{PARCEL}/wheels'"
SITE = "/opt/midwatch/lib/python3*/site-packages"
STATE = "/var/lib/midwatch"
SYSTEM = Path(__file__).parents[2] / "systemd"

pytestmark = pytest.mark.root


class Layer:
    """This machine with a layer above it that is thrown away."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def argv(self, command: str, **environ: str) -> list[str]:
        given = {"PATH": "/usr/bin:/bin", **environ}  # as "su" without "-" has it, and no HOME
        words = [f"{name}={value}" for name, value in given.items()]
        return ["chroot", str(self.root), "/usr/bin/env", "-i", *words, "bash", "-c", command]

    def run(self, command: str, *, status: int = 0, **environ: str) -> str:
        done = subprocess.run(
            self.argv(command, **environ),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
            timeout=300,
        )
        assert done.returncode == status, done.stdout
        return done.stdout

    def owners(self) -> set[str]:
        return set(self.run(f"find {STATE} -printf '%u\\n'").split())


def put_wheel(
    folder: Path, name: str, files: dict[str, str], *, needs: str = "", version: str = "9.9"
) -> Path:
    """Write a package as the standard has it (packaging.python.org, binary distribution format)."""
    about = f"{name}-{version}.dist-info"
    needed = f"Requires-Dist: {needs}\n" if needs else ""
    held = {
        **files,
        f"{about}/METADATA": f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n{needed}",
        f"{about}/WHEEL": "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        f"{about}/entry_points.txt": f"[console_scripts]\n{name} = {name}_main:main\n",
    }
    held[f"{about}/RECORD"] = "".join(f"{file},,\n" for file in [*held, f"{about}/RECORD"])
    place = folder / f"{name}-{version}-py3-none-any.whl"
    with zipfile.ZipFile(place, "w") as wheel:
        for file, text in held.items():
            wheel.writestr(file, text)
    return place


@pytest.fixture(scope="module")
def layer(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Layer]:
    if os.geteuid() != 0 or shutil.which("chroot") is None:
        pytest.skip("needs root and chroot")
    folder = tmp_path_factory.mktemp("layer")
    above, root = folder / "above", folder / "root"
    mounted: list[Path] = []

    def mount(*words: str | Path, at: Path) -> None:
        at.mkdir(exist_ok=True)
        if subprocess.run(["mount", *words, at], capture_output=True, check=False).returncode:
            pytest.skip("no layer can be laid over this machine here")
        mounted.append(at)

    try:
        mount("-t", "tmpfs", "-o", "size=512m", "tmpfs", at=above)
        for name in ("up", "work"):
            (above / name).mkdir()
        layers = f"lowerdir=/,upperdir={above / 'up'},workdir={above / 'work'}"
        mount("-t", "overlay", "overlay", "-o", layers, at=root)
        mount("--bind", "/dev", at=root / "dev")
        mount("-t", "proc", "proc", at=root / "proc")
        for gone in ("run/systemd", "opt/midwatch", "etc/midwatch", "var/lib/midwatch"):
            shutil.rmtree(root / gone, ignore_errors=True)
        parcel = root / PARCEL.strip("/")
        shutil.copytree(SYSTEM, parcel / "systemd")
        (parcel / "wheels").mkdir()
        files = {"midwatch_main.py": "import needed\ndef main(): print('stand-in')\n"}
        put_wheel(parcel / "wheels", "midwatch", files, needs="needed")
        put_wheel(parcel / "wheels", "needed", {"needed/__init__.py": "", "needed/more.py": ""})
        one = Layer(root)
        if "ok" not in one.run("python3 -c 'import ensurepip, venv; print(\"ok\")' || true"):
            pytest.skip("needs python3-venv")
        yield one
    finally:
        for at in reversed(mounted):
            subprocess.run(["umount", "-l", at], check=True)


def test_a_dry_run_changes_nothing(layer: Layer) -> None:
    assert "/opt/midwatch" in layer.run(f"{INSTALL} --dry-run")
    layer.run("ls /opt/midwatch /etc/midwatch /var/lib/midwatch", status=2)


def test_under_a_narrow_umask_others_can_still_run_it_and_read_its_help(layer: Layer) -> None:
    """The half that tells runs as a user of its own."""
    layer.run(f"umask 077; {INSTALL} --halves")
    nobody = "setpriv --reuid midwatch --regid midwatch --clear-groups"
    assert layer.run(f"{nobody} /usr/local/bin/midwatch") == "stand-in\n"
    layer.run(f"{nobody} cat /usr/local/share/man/man8/midwatch.8")
    layer.run(f"{nobody} cat /usr/local/share/zsh/site-functions/_midwatch")
    assert layer.run(f"stat -c '%a %U' {STATE}") == "750 midwatch\n"


def test_after_the_halves_were_taken_away_the_one_service_owns_the_history(layer: Layer) -> None:
    layer.run(f"setpriv --reuid midwatch --clear-groups touch {STATE}/note")
    layer.run("rm /etc/systemd/system/midwatch-*.service")  # as --remove does
    layer.run(INSTALL)
    assert layer.owners() == {"root"}


def test_what_a_cut_off_run_left_half_done_is_made_whole(layer: Layer) -> None:
    """A package whose files are gone and whose description stands is one that is there, to pip."""
    layer.run(f"rm -r {SITE}/needed; mkdir $(echo {SITE})/~eeded")
    layer.run("midwatch", status=1, PATH="/usr/local/bin:/usr/bin:/bin")
    said = layer.run(INSTALL)
    assert "not whole" in said
    assert "invalid distribution" not in said
    assert layer.run("/usr/local/bin/midwatch") == "stand-in\n"


def test_packages_that_cannot_be_had_leave_what_is_installed_as_it_was(layer: Layer) -> None:
    wheels = Path(layer.root, PARCEL.strip("/"), "wheels")
    newer = put_wheel(wheels, "midwatch", {}, needs="missing", version="9.10")
    assert "stays as it was" in layer.run(INSTALL, status=1)
    newer.unlink()
    assert layer.run("/usr/local/bin/midwatch") == "stand-in\n"


def test_killed_at_any_moment_and_run_again_it_ends_right(layer: Layer) -> None:
    begun = time.monotonic()
    layer.run(INSTALL)
    lasts = time.monotonic() - begun
    chance = random.Random(9)
    for words in ("", "--halves"):
        run = subprocess.Popen(
            layer.argv(f"{INSTALL} {words}"),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        try:
            run.wait(chance.uniform(0.05, 1.0) * lasts)
        except subprocess.TimeoutExpired:
            os.killpg(run.pid, signal.SIGKILL)
            run.wait()
    layer.run(f"{INSTALL} --whole")
    assert layer.run("/usr/local/bin/midwatch") == "stand-in\n"
    assert layer.owners() == {"root"}
    units = layer.run("cd /etc/systemd/system && echo midwatch*")
    assert units == "midwatch.service\n"


MAKE = (
    "import sqlite3; s = sqlite3.connect('{0}/midwatch.db'); s.execute('CREATE TABLE t (c)'); "
    "s.execute('INSERT INTO t VALUES (zeroblob(300000))'); s.commit()"
)


def test_a_history_that_cannot_be_copied_stops_the_upgrade_before_anything_changed(
    layer: Layer,
) -> None:
    layer.run(f"mount -t tmpfs -o size=512k tmpfs {STATE}")
    try:
        layer.run(f'python3 -c "{MAKE.format(STATE)}"; touch /opt/midwatch/as-before')
        assert "nothing was changed" in layer.run(INSTALL, status=4)
        assert layer.run(f"ls {STATE}") == "midwatch.db\n"
        layer.run("rm /opt/midwatch/as-before")
    finally:
        layer.run(f"umount {STATE}")


def test_a_damaged_history_is_copied_as_it_is(layer: Layer) -> None:
    layer.run(f"echo damaged > {STATE}/midwatch.db")
    assert "was copied" in layer.run(INSTALL)
    assert layer.run(f"cat {STATE}/midwatch.db.before-*") == "damaged\n"


def test_purging_leaves_nothing(layer: Layer) -> None:
    for _ in range(2):  # twice is once
        layer.run(f"{INSTALL} --purge")
    layer.run("ls -d /opt/midwatch", status=2)
    assert layer.run(f"ls -d /etc/midwatch {STATE} /usr/local/bin/midwatch 2>/dev/null || :") == ""
