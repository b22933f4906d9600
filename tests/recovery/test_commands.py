"""The commands of each stack and step: as text, and against the programs' own help."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from watcher.facts.pool import PoolKind, Remark, Role
from watcher.recovery.commands import commands_for
from watcher.recovery.ground import BY_ID, NEW_DRIVE, Command, Ground
from watcher.recovery.record import Step

FOLDER = Path(__file__).parent / "commands"
OLD = f"{BY_ID}/wwn-0x5000a1400000005e"
NEW = f"{BY_ID}/wwn-0x5000a160000000c1"
GOOD = f"{BY_ID}/wwn-0x5000a1400000005a"

GROUNDS = {
    "md": Ground(
        kind=PoolKind.MD, name="orchard", layout="raid6", node="/dev/md0", step=Step.MAKE_SURE,
        old=f"{OLD}-part1", old_name="sde1", old_here=True, new=NEW, good=GOOD,
        good_part="-part1", part="-part1",
    ),
    "zfs": Ground(
        kind=PoolKind.ZFS, name="tank", layout="raidz1", node="tank", step=Step.MAKE_SURE,
        old=OLD, old_name="wwn-0x5000a1400000005e", old_here=True, new=NEW, good=GOOD,
    ),
    "btrfs": Ground(
        kind=PoolKind.BTRFS, name="meadow", layout="raid5, metadata raid1c3", node="/srv/meadow",
        step=Step.MAKE_SURE, old=OLD, old_name="devid 2", old_here=False, new=NEW, good=GOOD,
    ),
    "lvm": Ground(
        kind=PoolKind.LVM, name="vg0/mir", layout="raid1", node="vg0/mir", step=Step.MAKE_SURE,
        old=OLD, old_name="mir_rimage_1", old_here=False, new=NEW, good=GOOD,
    ),
    "parity": Ground(
        kind=PoolKind.FILE_PARITY, name="shelf", layout="3 data disks + 1 parity", node="",
        step=Step.MAKE_SURE, old=OLD, old_name="d2", old_here=False, new=NEW, good=GOOD,
    ),
}  # fmt: skip

CASES: dict[str, dict[str, Ground]] = {
    name: {step.value: replace(ground, step=step) for step in Step}
    | {
        "swap ahead of failure": replace(ground, step=Step.SWAP, planned=True, old_here=True),
        "swap with the old drive still there": replace(ground, step=Step.SWAP, old_here=True),
        "swap of a whole drive that is gone": replace(
            ground, step=Step.SWAP, old_here=False, part="", old=OLD
        ),
        "the old drive is back": replace(
            ground,
            step=Step.GET_DRIVE,
            old_is_back=True,
            remarks=frozenset({Remark.REFRESH_NEEDED}),
        ),
        "rebuild with left-overs": replace(
            ground,
            step=Step.REBUILD,
            remarks=frozenset({Remark.MIXED_PROFILES, Remark.LISTED_MISSING, Remark.SPARE_IN_USE}),
        ),
        "verify with left-overs": replace(
            ground,
            step=Step.VERIFY,
            remarks=frozenset({Remark.LISTED_MISSING, Remark.UNSYNCED, Remark.MEMBER_ERRS}),
        ),
        "parity is lost": replace(ground, step=Step.SWAP, role=Role.PARITY, old_name="parity"),
        "parity is verified": replace(
            ground, step=Step.VERIFY, role=Role.PARITY, old_name="parity"
        ),
        "beyond the margin": replace(ground, step=Step.GET_DRIVE, broken=True),
    }
    for name, ground in GROUNDS.items()
}


def written(cases: dict[str, Ground]) -> str:
    """Lay the commands of some cases out as text."""
    lines = []
    for name, ground in cases.items():
        lines.append(f"## {name}")
        for command in commands_for(ground):
            lines += [command.line, f"    does: {command.does}"]
            if command.no_way_back:
                lines.append(f"    no way back: {command.no_way_back}")
            lines.append(f"    from: {command.source}")
        lines.append("")
    return "\n".join(lines)


@pytest.mark.parametrize("stack", sorted(CASES))
def test_the_commands_are_as_they_were_checked(stack: str) -> None:
    path = FOLDER / f"{stack}.txt"
    text = written(CASES[stack])
    if os.environ.get("REWRITE_SCENARIOS"):
        path.write_text(text, encoding="utf-8")
    assert path.read_text(encoding="utf-8") == text


EVERY = [
    (stack, name, command)
    for stack, cases in CASES.items()
    for name, ground in cases.items()
    for command in commands_for(ground)
]


def test_every_command_says_what_it_does_and_where_its_words_are_from() -> None:
    for stack, name, command in EVERY:
        assert command.does.endswith("."), (stack, name, command.line)
        assert command.source, (stack, name, command.line)


def test_a_disk_that_still_works_is_copied_and_not_brought_back_from_parity() -> None:
    """Source: snapraid(1) 12.2, fix: files come back as they were at the last sync."""
    for role, name in ((Role.DATA, "d2"), (Role.PARITY, "parity")):
        ground = replace(
            GROUNDS["parity"], step=Step.SWAP, planned=True, old_here=True, role=role, old_name=name
        )
        lines = [command.line for command in commands_for(ground)]
        assert lines == [f"mkfs.ext4 {NEW}", "cp -a /OLD-DISK/. /NEW-DISK/"]


def test_a_filesystem_on_partitions_is_mounted_from_a_partition() -> None:
    ground = replace(GROUNDS["btrfs"], node="/MOUNT-POINT", good_part="-part3")
    lines = [command.line for command in commands_for(replace(ground, step=Step.SWAP))]
    assert lines[0] == f"mount -o degraded {GOOD}-part3 /MOUNT-POINT"
    lines = [command.line for command in commands_for(replace(ground, broken=True))]
    assert lines[1] == f"btrfs inspect-internal dump-super {GOOD}-part3"


def test_no_command_names_a_drive_by_a_name_that_changes() -> None:
    for _, _, command in EVERY:
        assert not re.search(r"/dev/(?:sd|nvme|vd)\w+", command.line), command.line


@pytest.mark.parametrize("stack", sorted(CASES))
def test_beyond_the_margin_only_reading_commands_are_shown_at_whatever_step(stack: str) -> None:
    """The step stays what it was when one drive more was lost."""
    hidden = 0
    for name, ground in CASES[stack].items():
        shown = commands_for(replace(ground, broken=True))
        assert not [command.line for command in shown if command.writes], name
        hidden += sum(command.writes for command in commands_for(replace(ground, broken=False)))
    assert hidden >= 3, "there is something to hide"


WRITING = re.compile(
    r"--(?:add|re-add|remove|fail|replace|repair|removemissing|refresh|syncaction|action)\b"
    r"|^(?:pvcreate|vgextend|mkfs|mount|cp|zpool (?:replace|offline|online|clear|scrub))"
    r"|^btrfs (?:replace|balance|scrub) start|\| sfdisk|^snapraid (?:sync|scrub|fix|-d)"
)


def test_whatever_changes_anything_says_what_it_cannot_undo() -> None:
    for stack, name, command in EVERY:
        assert command.writes == bool(WRITING.search(command.line)), (stack, name, command.line)


def test_no_command_forces_anything() -> None:
    for _, _, command in EVERY:
        words = command.line.split()
        assert not {"--force", "-f", "--run", "--zero-superblock", "--create"} & set(words)


def test_a_new_drive_that_is_not_here_is_never_guessed() -> None:
    for ground in GROUNDS.values():
        swap = replace(ground, step=Step.SWAP, new=NEW_DRIVE)
        lines = " ".join(c.line for c in commands_for(swap))
        assert "NEW-DRIVE" in lines


@pytest.mark.parametrize(
    ("told", "taken"),
    [
        ("scsi-35000c500b0000001-part1", "scsi-35000c500b0000001"),
        ("sdb1", "sdb"),
        ("nvme0n1p1", "nvme0n1"),
        ("wwn-0x5000c500b0000001-part3", "wwn-0x5000c500b0000001-part3"),
        ("wwn-0x5000c500b00000a1", "wwn-0x5000c500b00000a1"),
        ("5952609542268402741", "5952609542268402741"),  # a guid stands for what never came up
        ("nvme0n1", "nvme0n1"),
    ],
)
def test_zfs_takes_a_disk_that_it_was_given_whole_without_its_partition(
    told: str, taken: str
) -> None:
    """Our own run with zfs 2.3.2: status -P shows -part1, status and the commands do without."""
    swap = replace(GROUNDS["zfs"], step=Step.SWAP, old_name=told)
    commands = commands_for(swap)
    assert commands
    for command in commands:
        assert f" tank {taken}" in command.line
        assert ("zpool status tank shows the name" in command.does) is (told != taken)


def test_an_old_mirror_of_lvm_is_asked_for_nothing_that_it_cannot_do() -> None:
    """lvconvert(8) and lvchange(8) of LVM 2.03.16: replace and syncaction are for raid kinds."""
    mirror = replace(GROUNDS["lvm"], layout="mirror", old_here=True)
    lines = [
        command.line
        for step in Step
        for planned in (False, True)
        for command in commands_for(replace(mirror, step=step, planned=planned))
    ]
    assert not [x for x in lines if "syncaction" in x or "--replace" in x or "mismatch" in x]
    more, less = (x for x in lines if "--mirrors" in x)
    assert more.endswith(f"--mirrors +1 vg0/mir {NEW}")
    assert less.endswith(f"--mirrors -1 vg0/mir {OLD}")


def test_a_place_with_a_blank_in_its_name_is_one_word() -> None:
    for stack, node in (("btrfs", "/srv/my photos"), ("zfs", "old tank")):
        for step in Step:
            for command in commands_for(replace(GROUNDS[stack], step=step, node=node)):
                words = shlex.split(command.line)
                assert node in words or words[0] == "smartctl", command.line


def test_a_declared_pool_has_no_commands_of_its_own() -> None:
    ground = replace(GROUNDS["md"], kind=PoolKind.DECLARED, step=Step.SWAP)
    assert commands_for(ground) == ()


def help_of(*argv: str) -> str:
    """Give what a program says of itself, or skip when it is not installed."""
    if shutil.which(argv[0]) is None:
        pytest.skip(f"{argv[0]} is not installed")
    done = subprocess.run(argv, capture_output=True, text=True, check=False, timeout=30)
    return done.stdout + done.stderr


def options_of(command: Command) -> list[str]:
    """Give the long options of a command, without their values."""
    return [w.split("=", 1)[0] for w in command.line.split() if w.startswith("--")]


HELPS = {
    "mdadm": (("mdadm", "--manage", "--help"), ("mdadm", "--help-options"),
              ("mdadm", "--misc", "--help"), ("man", "-P", "cat", "mdadm")),
    "lvconvert": (("lvconvert", "--help"),),
    "lvchange": (("lvchange", "--help"),),
    "vgreduce": (("vgreduce", "--help"),),
}  # fmt: skip


@pytest.mark.parametrize("program", sorted(HELPS))
def test_the_options_are_known_to_the_program(program: str) -> None:
    """Against the help and manual of the program itself, where it is installed."""
    mine = {c.line: c for _, _, c in EVERY if c.line.split()[0] == program}
    assert mine
    text = "".join(help_of(*argv) for argv in HELPS[program])
    for line, command in mine.items():
        for option in options_of(command):
            assert option in text, line


@pytest.mark.parametrize(
    "words",
    [
        ("replace", "start"),
        ("replace", "status"),
        ("balance", "start"),
        ("scrub", "start"),
        ("scrub", "status"),
        ("device", "stats"),
        ("filesystem", "show"),
        ("filesystem", "df"),
        ("inspect-internal", "dump-super"),
    ],
)
def test_the_subcommands_are_known_to_btrfs(words: tuple[str, str]) -> None:
    line = f"btrfs {' '.join(words)}"
    used = [c for _, _, c in EVERY if c.line.startswith(line)]
    assert used, line
    text = help_of("btrfs", *words, "--help")
    assert text.startswith(f"usage: {line}")
    for command in used:
        for option in re.findall(r" (-[a-zA-Z0-9])\b", command.line):
            assert re.search(rf"\s{option}[\s|,\[]", text), (command.line, option)
