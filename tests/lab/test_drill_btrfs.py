"""A drill on something real: a running watch, a real mirror, real mail, no device touched."""

from __future__ import annotations

import hashlib
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.lab.at_once import AT_ONCE, MAIL
from tests.lab.daemon import ROOT, Daemon, cases_of, midwatch
from tests.lab.loops import BtrfsMirror, btrfs_mirror, why_not
from tests.lab.receivers import Mailbox, free_port, mail_server, wait_until

LACKING = why_not()
pytestmark = [
    pytest.mark.root,
    pytest.mark.skipif(LACKING is not None, reason=f"a real btrfs {LACKING}"),
]

SETTINGS = (
    AT_ONCE
    + MAIL
    + """ladders:
  - urgencies: [now, today]
    pools: [rehearsal]
    rungs:
      - people: [ada]
        wait_minutes: 5
"""
)


def fingerprints(mirror: BtrfsMirror) -> list[str]:
    return [hashlib.sha256(drive.image.read_bytes()).hexdigest() for drive in mirror.drives]


def subjects(box: Mailbox) -> list[str]:
    """What came about this pool; other pools of this machine may have troubles of their own."""
    return [s for mail in box.mails if "rehearsal" in (s := str(mail["Subject"]))]


def drill_cases(config: Path) -> list[dict[str, object]]:
    return [case for case in cases_of(config) if "drill-" in str(case["place"])]


def test_a_drill_tells_real_people_marks_everything_and_touches_no_device(tmp_path: Path) -> None:
    box, port = Mailbox(), free_port()
    config = tmp_path / "midwatch.yaml"
    with (
        mail_server(box, port),
        btrfs_mirror(tmp_path, label="rehearsal") as (mirror, _),
    ):
        config.write_text(SETTINGS.format(state=tmp_path / "state", mail=port), encoding="utf-8")
        mirror.write("letters")
        daemon = Daemon(config)
        try:
            assert wait_until(lambda: "Watching." in daemon.text, 40), daemon.text
            before = fingerprints(mirror)
            member = mirror.drives[1].name
            said = midwatch(
                config, "drill", "--pool", "rehearsal", "--member", member, "--no-wait", "--yes"
            )
            assert "counts as lost" in said, said
            assert "No spare that fits is known." in said
            assert wait_until(lambda: len(subjects(box)) == 1, 30), daemon.text
            assert subjects(box)[0].startswith("Now: DRILL rehearsal on attic"), subjects(box)

            refused = midwatch(
                config, "drill", "--pool", "rehearsal", "--member", member, "--yes", check=False
            )
            assert "A drill on rehearsal is going on" in refused

            daemon.look()  # a real look neither clears the drill nor mixes with it
            time.sleep(1)
            (case,) = drill_cases(config)
            assert case["closed_at"] is None
            midwatch(config, "ack", str(case["number"]), "--until", "1h")

            page = midwatch(config, "drill", "--end")
            assert "Answered      by ada after" in page, page
            assert "There is no spare that fits" in page
            assert "no margin left" in page
            assert "No message left this box" not in page
            daemon.look()
            assert wait_until(lambda: drill_cases(config)[0]["closed_at"] is not None, 30)
            assert wait_until(lambda: len(subjects(box)) >= 2, 30), daemon.text
            assert all("DRILL rehearsal" in subject for subject in subjects(box))
            assert fingerprints(mirror) == before
            assert "rehearsal" in midwatch(config, "drill", "--list")
            assert "Rehearsed" in midwatch(config, "ready")
            assert daemon.stop() == 0
        finally:
            daemon.kill()


def test_nobody_rehearses_while_no_message_would_leave(tmp_path: Path) -> None:
    config = tmp_path / "midwatch.yaml"
    config.write_text(SETTINGS.format(state=tmp_path / "state", mail=1), encoding="utf-8")
    said = midwatch(config, "drill", "--pool", "x", "--member", "y", "--yes", check=False)
    assert "no state" in said


def test_the_commands_are_learnt_on_a_real_mirror_and_nothing_is_left_behind(
    tmp_path: Path,
) -> None:
    """A person who types each command is played by this test."""
    config = tmp_path / "midwatch.yaml"
    config.write_text(f"box_name: attic\nstate_directory: {tmp_path}/state\n", encoding="utf-8")
    process = subprocess.Popen(
        [sys.executable, "-u", "-m", "watcher.cli", "--config", str(config), "drill", "--hands-on"],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    said, commands = [], []
    for line in process.stdout:
        said.append(line)
        if line.startswith("   btrfs"):
            command = line.strip()
            commands.append(command)
            if command.startswith("btrfs replace"):
                process.stdin.write("\n")  # not done yet: it must say so and ask again
            done = subprocess.run(command.split(), capture_output=True, text=True, check=False)
            assert done.returncode == 0, (command, done.stderr)
            process.stdin.write("\n")
            process.stdin.flush()
    process.stdin.close()
    process.stdout.close()
    text = "".join(said)
    assert process.wait(60) == 0, text
    assert len(commands) == 4, text
    assert "full margin is back and proven" in text
    left = subprocess.run(["losetup", "-a"], capture_output=True, text=True, check=True).stdout
    assert "midwatch-practice" not in left
