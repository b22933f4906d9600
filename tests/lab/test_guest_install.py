"""A machine on which the first version runs is brought to this one, with a case open.

The rest of the installer is tried by ``test_install.py`` (without systemd, at full speed) and
``test_guest.py``. Each installation takes minutes of an emulated processor.
"""

from __future__ import annotations

import os
import shlex
import shutil
import tarfile
from collections.abc import Iterator

import pytest

from tests.lab.guest.first_version import FirstVersion, first_version
from tests.lab.guest.lab import (
    INSTALL,
    NEEDS_GUEST,
    UNPACK,
    Lab,
    by_id,
    drives,
    make_orchard,
    ready_or_skip,
    receivers,
)
from tests.lab.guest.machine import Guest
from tests.lab.receivers import wait_until

pytestmark = NEEDS_GUEST

SCRIPT = "bash /root/parcel/systemd/install.sh"
STATE = "/var/lib/midwatch/midwatch.db"


@pytest.fixture(scope="module")
def old(tmp_path_factory: pytest.TempPathFactory) -> FirstVersion | None:
    """Give the first version, or None where the history is not there."""
    return first_version(tmp_path_factory.mktemp("old"))


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory, old: FirstVersion | None) -> Iterator[Lab]:
    """Boot the guest with an array and no midwatch in it."""
    made = ready_or_skip()
    folder = tmp_path_factory.mktemp("guest")
    disks = drives(folder)
    some = [disk for disk in disks.values() if disk.bus == "sata"]
    parcel = folder / "parcel.tar"
    shutil.copy(made.parcel, parcel)
    if old is not None:
        with tarfile.open(parcel, "a", format=tarfile.GNU_FORMAT) as tar:
            for file in (old.wheel, old.unit):
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


def test_from_the_first_version_all_that_was_known_is_kept(
    lab: Lab, old: FirstVersion | None
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
    assert guest.out(form.format(STATE)) == str(old.form), lab.why()
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
    assert {guest.out(form.format(copy)) for copy in copies} == {str(old.form)}
    assert int(guest.out(form.format(STATE))) > old.form
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


def test_a_reload_of_settings_with_a_fault_fails_and_the_watch_goes_on(lab: Lab) -> None:
    guest, file = lab.guest, "/etc/midwatch/midwatch.yaml"
    if guest.out("systemctl is-active midwatch || :") != "active":
        guest.run(INSTALL, seconds=900)
    guest.run(f"cp -p {file} /root/good.yaml 2>/dev/null || :; echo 'zone: nowhere' >> {file}")
    assert guest.out("systemctl reload midwatch 2>&1 && echo done || echo failed")[-6:] == "failed"
    assert guest.out("systemctl is-active midwatch") == "active", lab.why()
    assert "nowhere" in guest.out("journalctl -u midwatch -o cat --no-pager -n 30")
    guest.run(f"cp -p /root/good.yaml {file} && systemctl reload midwatch", seconds=200)
    assert guest.out("systemctl is-active midwatch") == "active", lab.why()
