"""The installer on a whole machine: fresh, twice, dry, away, and from the first version.

One guest is booted for all tests of this file, and they run in order. See ``test_guest.py``. Each
installation takes a minute or two of an emulated processor.
"""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import tarfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.lab.guest.lab import (
    INSTALL,
    UNPACK,
    Lab,
    by_id,
    drives,
    make_orchard,
    ready_or_skip,
    receivers,
)
from tests.lab.guest.machine import Guest
from tests.lab.guest.parcel import ROOT, build_wheel
from tests.lab.guest.ready import why_not
from tests.lab.receivers import wait_until

LACKING = why_not()
pytestmark = [
    pytest.mark.lab,
    pytest.mark.skipif(LACKING is not None, reason=f"a guest machine {LACKING}"),
]

SCRIPT = "bash /root/parcel/systemd/install.sh"
SECOND_STEP = "watcher/store/migrations/0002_accounts.sql"
"""What came right after the first version of the store's form."""
PLACES = "/opt/midwatch /etc/midwatch /var/lib/midwatch /usr/local /etc/systemd/system"
STATE = "/var/lib/midwatch/midwatch.db"


def first_version(folder: Path) -> tuple[Path, Path] | None:
    """Give the wheel and the unit of the first version, built from the repository's history."""
    if shutil.which("git") is None or not (ROOT / ".git").exists():
        return None
    words = ["git", "log", "--diff-filter=A", "--format=%H", "--", SECOND_STEP]
    found = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    if not found.split():
        return None
    source = folder / "first"
    source.mkdir()
    parts = ("watcher", "pyproject.toml", "README.md", "systemd")
    done = subprocess.run(
        ["git", "archive", f"{found.split()[-1]}^", *parts],
        cwd=ROOT,
        capture_output=True,
        check=False,
    )
    if done.returncode:  # a clone that has not all of the history
        return None
    subprocess.run(["tar", "-x", "-C", source], input=done.stdout, check=True)
    return build_wheel(folder / "built", source=source), source / "systemd" / "midwatch.service"


@pytest.fixture(scope="module")
def old(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path] | None:
    """Give the first version, or None where the history is not there."""
    return first_version(tmp_path_factory.mktemp("old"))


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory, old: tuple[Path, Path] | None) -> Iterator[Lab]:
    """Boot the guest with an array and no midwatch in it."""
    made = ready_or_skip()
    folder = tmp_path_factory.mktemp("guest")
    disks = drives(folder)
    some = [disk for disk in disks.values() if disk.bus == "sata"]
    parcel = folder / "parcel.tar"
    shutil.copy(made.parcel, parcel)
    if old is not None:
        with tarfile.open(parcel, "a", format=tarfile.GNU_FORMAT) as tar:
            for file in old:
                tar.add(file, f"first/{file.name}")
        os.truncate(parcel, (parcel.stat().st_size + 4095) // 4096 * 4096)
    guest = Guest(made.image, folder, some, parcel=parcel)
    try:
        with receivers() as (box, hook, settings):
            guest.wait_for_boot()
            make_orchard(guest, disks)
            guest.run(UNPACK)
            guest.run(f"printf %s {shlex.quote(settings)} > /root/settings.yaml")
            guest.run(f"{SCRIPT} --purge", seconds=300)
            yield Lab(guest=guest, box=box, hook=hook, disks=disks)
    finally:
        guest.stop()


def listing(guest: Guest) -> list[str]:
    """List all that the installer may touch; sizes too, but for the history's own."""
    said = guest.out(
        f"find {PLACES} -xdev ! -name '*.pyc' ! -name __pycache__ ! -name 'midwatch.db-*' "
        "-printf '%p %M %u:%g %y:%s %l\\n' 2>/dev/null; getent passwd midwatch; "
        "systemctl is-enabled midwatch midwatch-reader midwatch-desk 2>&1"
    )
    lines = [line.replace(" d:4096 ", " ") for line in said.splitlines()]
    return sorted(line.partition(" f:")[0] if STATE in line else line for line in lines)


def test_a_dry_run_on_a_bare_machine_says_all_and_does_nothing(lab: Lab) -> None:
    before = listing(lab.guest)
    assert not [line for line in before if "midwatch" in line and "/" in line], before
    for words in ("", "--halves", "--remove", "--purge"):
        said = lab.guest.run(f"{INSTALL} --dry-run {words}", seconds=120).out
        assert "midwatch" in said
        assert listing(lab.guest) == before, words


def test_a_fresh_install_runs_with_the_right_modes(lab: Lab) -> None:
    guest = lab.guest
    guest.run(INSTALL, seconds=900)
    assert guest.out("systemctl is-active midwatch") == "active", lab.why()
    assert guest.out("systemctl is-enabled midwatch") == "enabled"
    assert guest.until(f"test -s {STATE}", seconds=120), lab.why()
    modes = guest.out(f"stat -c '%n %a %U:%G' /etc/midwatch /var/lib/midwatch {STATE}")
    assert modes.splitlines() == [
        "/etc/midwatch 750 root:root",
        "/var/lib/midwatch 750 root:root",
        f"{STATE} 600 root:root",
    ]
    assert guest.out("readlink /usr/local/bin/midwatch") == "/opt/midwatch/bin/midwatch"
    assert "look" in guest.out("cat /usr/local/share/man/man8/midwatch.8")
    for place in (
        "bash-completion/completions/midwatch",
        "zsh/site-functions/_midwatch",
        "fish/vendor_completions.d/midwatch.fish",
    ):
        guest.run(f"test -s /usr/local/share/{place}")
    guest.run("bash -n /usr/local/share/bash-completion/completions/midwatch")
    assert guest.run("systemd-analyze verify midwatch.service 2>&1").out == ""


def test_a_second_install_changes_nothing_but_adds_a_copy_of_the_history(lab: Lab) -> None:
    guest = lab.guest
    before = listing(guest)
    started = guest.out("systemctl show -p ExecMainStartTimestampMonotonic --value midwatch")
    guest.run(INSTALL, seconds=900)
    new = [line for line in listing(guest) if line not in before]
    assert len(new) == 1, new
    assert new[0].startswith(f"{STATE}.before-"), new
    assert not [line for line in before if line not in listing(guest)]
    assert guest.out("systemctl is-active midwatch") == "active"
    assert (
        guest.out("systemctl show -p ExecMainStartTimestampMonotonic --value midwatch") != started
    ), "the new program runs"


def test_removing_keeps_history_and_purging_leaves_the_machine_as_it_was(lab: Lab) -> None:
    guest = lab.guest
    guest.run(f"{SCRIPT} --remove", seconds=200)
    guest.run(f"{SCRIPT} --remove", seconds=200)  # twice is once
    left = [line for line in listing(guest) if "midwatch" in line and line.startswith("/")]
    assert {line.split()[0].rpartition("/")[0] for line in left} <= {
        "/etc", "/var/lib", "/var/lib/midwatch",
    }  # fmt: skip
    assert guest.run(f"test -s {STATE}").status == 0
    guest.run(f"{SCRIPT} --purge", seconds=200)
    guest.run(f"{SCRIPT} --purge", seconds=200)
    left = guest.out("find / -xdev -name '*midwatch*' -not -path '/root/*' -not -path '/proc/*'")
    assert left == ""


def test_from_the_first_version_all_that_was_known_is_kept(
    lab: Lab, old: tuple[Path, Path] | None
) -> None:
    """A case opened by the first version is closed by this one, and nobody is told twice."""
    if old is None:
        pytest.skip("needs the history of the repository for the first version")
    guest, gone = lab.guest, lab.disks["a1"]
    guest.run(
        "python3 -m venv /opt/midwatch && /opt/midwatch/bin/pip install -q --no-index "
        "--find-links /root/parcel/wheels /root/parcel/first/midwatch-*.whl && "
        "install -d -m 0750 /etc/midwatch /var/lib/midwatch && "
        "cp /root/settings.yaml /etc/midwatch/midwatch.yaml && "
        "ln -sfn /opt/midwatch/bin/midwatch /usr/local/bin/midwatch && "
        "cp /root/parcel/first/midwatch.service /etc/systemd/system/ && "
        "systemctl daemon-reload && systemctl enable --now midwatch",
        seconds=900,
    )
    assert guest.until(f"test -s {STATE}", seconds=200), lab.why()
    form = (
        "python3 -c \"import sqlite3; print(sqlite3.connect('{}').execute("
        "'SELECT max(number) FROM schema_step').fetchone()[0])\""
    )
    assert guest.out(form.format(STATE)) == "1", lab.why()
    guest.fail(gone)
    guest.run("dd if=/dev/urandom of=/dev/md0 bs=1M count=8 oflag=direct 2>&1", seconds=200)
    assert lab.told("Now", "orchard"), lab.why()
    assert wait_until(lambda: len(lab.box.ids) == len(lab.hook.posts), 60)
    cases = {c["number"]: c["opened_at"] for c in lab.midwatch("cases")}
    told = len([t for t in lab.subjects() if t.startswith("Now")])

    said = guest.run(INSTALL, seconds=900).out
    assert "the history was copied to" in said
    assert guest.out("systemctl is-active midwatch") == "active", lab.why()
    journal = "journalctl -u midwatch -o cat --no-pager | grep -c 'as it was before, it lies in'"
    assert guest.until(f'test "$({journal})" = 1', seconds=200), lab.why()
    copies = guest.out(f"ls {STATE}.before-*").split()
    assert 1 <= len(copies) <= 3
    assert {guest.out(form.format(copy)) for copy in copies} == {"1"}
    assert int(guest.out(form.format(STATE))) > 1
    now = {c["number"]: c["opened_at"] for c in lab.midwatch("cases --all")}
    assert cases.items() <= now.items(), "the same cases, opened when they were"
    guest.pull(gone)
    assert guest.until(f"test ! -e {by_id(gone)}")
    guest.run(f"mdadm /dev/md0 --add {by_id(lab.disks['a3'])} 2>&1; mdadm --wait /dev/md0 || true")
    assert guest.until("grep -q '\\[UUU\\]' /proc/mdstat"), guest.out("cat /proc/mdstat")
    lab.look()
    assert lab.told("All clear", "orchard"), lab.why()
    again = len([t for t in lab.subjects() if t.startswith("Now") and "orchard" in t])
    assert again <= told + 1, "the drive that was pulled may make it worse once; no more"
    assert len(lab.box.ids) == len(set(lab.box.ids))
