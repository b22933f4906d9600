"""What lines mean together."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.facts.kernel_event import Category
from watcher.readers.kernel_lines.setting import REMEMBERED, Line
from watcher.readers.kernel_lines.story import Story, Told
from watcher.readers.kernel_log import parse_journal

CAPTURES = Path(__file__).parents[1] / "kernel_captures"
M, P, G, F, C, L, N = Category

SCSI_BAD_SECTOR = (
    "sd 0:0:1:0: [sdb] tag#47 FAILED Result: hostbyte=DID_OK driverbyte=DRIVER_OK cmd_age=0s",
    "sd 0:0:1:0: [sdb] tag#47 Sense Key : Medium Error [current] ",
    "sd 0:0:1:0: [sdb] tag#47 Add. Sense: Unrecovered read error",
    "sd 0:0:1:0: [sdb] tag#47 CDB: Read(10) 28 00 00 00 48 00 00 0a 00 00",
    "critical medium error, dev sdb, sector 18432 op 0x0:(READ) flags 0x0 phys_seg 147",
)


def read(*texts: str, story: Story | None = None, since_boot: float | None = None) -> list[Told]:
    lines = [Line(text=text, since_boot=since_boot) for text in texts]
    return (story or Story()).read(lines)


def kinds(told: list[Told]) -> list[tuple[Category, str, str]]:
    return [(one.meaning.category, one.meaning.what, one.meaning.device) for one in told]


def test_a_bad_sector_told_in_five_lines_is_one_happening() -> None:
    told = read(*SCSI_BAD_SECTOR)
    assert {(one.meaning.category, one.meaning.what) for one in told} == {(M, "unreadable-sector")}
    assert sum(one.adds for one in told) == 1


def test_two_bad_sectors_are_two_happenings() -> None:
    assert sum(one.adds for one in read(*SCSI_BAD_SECTOR, *SCSI_BAD_SECTOR)) == 2


def test_an_input_output_error_takes_the_cause_told_before_it() -> None:
    failure = "I/O error, dev sdb, sector 20392 op 0x0:(READ)"
    assert kinds(read(failure)) == [(C, "io-failed", "sdb")]
    gone = "sd 0:0:1:0: [sdb] tag#1 FAILED Result: hostbyte=DID_NO_CONNECT driverbyte=DRIVER_OK"
    assert kinds(read(gone, failure))[-1] == (G, "device-gone", "sdb")
    crc = "ata3.00: error: { ICRC ABRT }"
    assert kinds(read(crc, failure))[-1] == (L, "link-crc", "sdb")
    asked_too_much = "sd 0:0:1:0: [sdb] tag#1 Sense Key : Illegal Request [current]"
    target = "critical target error, dev sdb, sector 0 op 0x3:(DISCARD)"
    assert kinds(read(asked_too_much, target))[-1][0] is N


def test_a_bad_sector_on_a_port_is_not_lent_to_a_disk_on_another() -> None:
    """The wrong drive would be replaced: it had an error of its own in the same half minute."""
    bad = "ata4.00: error: { UNC }"
    soft = "sd 0:0:5:0: [sdf] tag#3 FAILED Result: hostbyte=DID_SOFT_ERROR driverbyte=DRIVER_OK"
    failed = "I/O error, dev sdf, sector 8 op 0x0:(READ)"
    lines = [Line(text=text) for text in (bad, failed)]
    for ports, expected in (
        ({"sdd": "ata4", "sdf": "ata6"}, (C, "io-failed")),
        ({"sdd": "ata4", "sdf": ""}, (C, "io-failed")),
        ({"sdf": "ata4"}, (M, "unreadable-sector")),
        ({}, (M, "unreadable-sector")),  # not known which disk hangs on it
    ):
        assert kinds(Story().read(lines, ports=ports))[-1][:2] == expected
    assert kinds(read(bad, soft))[-1][:2] == (C, "device-aborted")  # target 5 is no port's disk


def test_a_cause_does_not_reach_another_drive_or_a_later_hour() -> None:
    gone = "sd 0:0:1:0: [sdb] rejecting I/O to dead device"
    assert kinds(read(gone, "I/O error, dev sdc, sector 8"))[-1] == (C, "io-failed", "sdc")
    lines = [
        Line(text=gone, seconds=100.0),
        Line(text="I/O error, dev sdb, sector 8", seconds=4000.0),
    ]
    assert kinds(Story().read(lines))[-1] == (C, "io-failed", "sdb")


def test_a_report_and_its_second_halves_belong_to_their_ports() -> None:
    told = read(
        "ata3.00: exception Emask 0x0 SAct 0x40 SErr 0x0 action 0x0",
        "ata4.00: exception Emask 0x0 SAct 0x40 SErr 0x0 action 0x6 frozen",
        "ata4.00: failed command: READ FPDMA QUEUED",
        "ata3.00: cmd 60/08:30:00:10:00/00:00:00:00:00/40 tag 6 ncq dma 4096 in",
        "         res 41/40:08:00:10:00/00:00:00:00:00/00 Emask 0x409 (media error) <F>",
    )
    assert sorted(kinds(told)) == [
        (C, "command-timeout", "ata4.00"),
        (M, "unreadable-sector", "ata3.00"),
    ]


def test_a_reset_after_waking_is_routine_and_in_the_middle_of_work_is_a_sign() -> None:
    reset = "ata1: hard resetting link"
    assert kinds(read(reset)) == [(C, "port-reset", "ata1")]
    assert kinds(read("PM: suspend exit", reset)) == [(N, "after-resume", "ata1")]
    assert kinds(read(reset, since_boot=4.0)) == [(N, "at-start", "ata1")]


@pytest.mark.parametrize("line", ["ata3.00: error: { UNC }", SCSI_BAD_SECTOR[2]])
def test_a_bad_sector_counts_also_after_waking_and_at_the_start(line: str) -> None:
    assert read("PM: suspend exit", line)[-1].meaning.category is M
    assert read(line, since_boot=3.0)[-1].meaning.category is M


def test_a_lost_command_counts_also_after_waking() -> None:
    told = read(
        "PM: suspend exit",
        "ata1.00: exception Emask 0x0 SAct 0x1 SErr 0x0 action 0x6 frozen",
        "ata1.00: failed command: WRITE FPDMA QUEUED",
        "ata1.00: cmd 61/08 tag 1\n res 40/00:00:00:00:00/00 Emask 0x4 (timeout)",
    )
    assert kinds(told) == [(C, "command-timeout", "ata1.00")]


def test_a_stick_that_is_pulled_is_noise_but_a_member_on_usb_is_not() -> None:
    lines = (
        "scsi host6: usb-storage 1-1:1.0",
        "sd 6:0:0:0: [sdx] Attached SCSI disk",
        "critical medium error, dev sdx, sector 8",
        "usb 1-1: USB disconnect, device number 5",
        "sd 6:0:0:0: [sdx] Synchronize Cache(10) failed: Result: hostbyte=DID_NO_CONNECT",
    )
    assert {one.meaning.category for one in read(*lines)} == {N}
    member = Story(frozenset({"sdx", "6:0:0:0"}))
    assert {one.meaning.category for one in read(*lines, story=member)} == {N, M, G}


def test_a_drive_known_as_fixed_is_not_taken_for_the_stick_beside_it() -> None:
    lines = (
        "usb 1-1: USB disconnect, device number 5",
        "sd 0:0:1:0: [sdb] Synchronize Cache(10) failed: Result: hostbyte=DID_NO_CONNECT",
    )
    assert read(*lines)[-1].meaning.category is N
    assert read(*lines, story=Story(frozenset({"sdb"})))[-1].meaning.category is G


def test_what_is_fixed_may_change_from_batch_to_batch() -> None:
    story = Story()
    failed = [
        Line(text="sd 6:0:0:0: [sdx] tag#1 uas_eh_abort_handler 0"),
        Line(text="critical medium error, dev sdx, sector 8"),
    ]
    assert story.read(failed)[-1].meaning.category is N
    assert story.read(failed, frozenset({"sdx"}))[-1].meaning.category is M


def test_optical_drives_are_noise() -> None:
    told = read("sr 1:0:0:0: [sr0] tag#0 Sense Key : Medium Error [current] ")
    assert kinds(told) == [(N, "optical-trouble", "sr0")]


def test_a_story_goes_on_from_batch_to_batch() -> None:
    story = Story()
    read("sd 0:0:1:0: [sdb] rejecting I/O to dead device", story=story)
    assert kinds(read("I/O error, dev sdb, sector 8", story=story)) == [(G, "device-gone", "sdb")]


def test_what_a_story_remembers_is_bounded() -> None:
    story = Story()
    for number in range(0, 4 * REMEMBERED, 64):
        read(
            *(f"ata{n}.00: status: {{ DRDY }}" for n in range(number, number + 64)),
            *(f"critical medium error, dev dm-{n}, sector 1" for n in range(number, number + 64)),
            story=story,
        )
    assert len(story._causes) <= REMEMBERED
    assert len(story._reports) <= REMEMBERED


# What must be told, and what must not, in each step of our own runs (see README.md there).
STEPS: dict[str, tuple[set[Category], set[Category]]] = {
    "md_raid5-00-before": (set(), {M, P, G, F, C, L}),
    "md_raid5-01-initial-sync": ({P}, {M, G, F, C, L}),  # a first build reads like a rebuild
    "md_raid5-02-healthy": (set(), {M, P, G, F, C, L}),
    "md_raid5-03-read-errors": ({C}, {M, P, G, F}),  # the drive refused and said no more
    "md_raid5-04-failing": ({C, P}, {M, F}),
    "md_raid5-06-replaced": ({G, P}, {M, F}),
    "md_raid5-07-rebuilt": ({P}, {M, G, F, C, L}),
    "md_raid5-09-repair": ({P}, {M, G, F, C, L}),  # mismatches
    "md_raid5-10-check-clean": (set(), {M, P, G, F, C, L}),
    "md_raid5-11-two-failed": ({P, G, F}, {M, L}),
    "md_raid1_raid6-02-healthy": (set(), {M, P, G, F, C, L}),
    "md_raid1_raid6-03-medium-error": ({M}, {P, G, F, C, L}),
    "md_raid1_raid6-04-medium-error-persistent": ({M}, {P, G, F, C, L}),
    "md_raid1_raid6-05-raid6-one-gone": ({G, P}, {M, F, L}),
    "md_raid1_raid6-07-raid6-rebuilding-first": ({G, P}, {M, F, L}),
    "md_raid1_raid6-11-raid1-leg-failed": ({P}, {M, G, F, C, L}),
    "md_raid1_raid6-12-raid1-re-added": ({P}, {M, G, F, C, L}),
    "md_raid1_raid6-14-last-leg": ({P}, {M, F, C, L}),
    "md_raid1_raid6-15-resync-pending-readonly": (set(), {M, P, G, F, C, L}),
    "btrfs-01-healthy": (set(), {M, P, G, F, C, L}),
    "btrfs-02-scrub-corrected": ({F}, {M, P, G, C, L}),
    "btrfs-03-scrub-uncorrectable": ({F}, {M, P, G, C, L}),
    "btrfs-04-device-gone-while-mounted": ({G, P}, {M, L}),
    "btrfs-07-replace-running": ({G, P}, {M, L}),
    "btrfs-09-scrub-running": (set(), {M, P, G, F, C, L}),
    "btrfs-10-healthy-again": (set(), {M, P, G, F, C, L}),
    "btrfs-11-raid5-read-errors": ({M}, {G, C, L}),
    "btrfs-12-raid5-gone": ({G, P}, {M, L}),
    "lvm-02-healthy": (set(), {M, P, G, F, C, L}),
    "lvm-03-leg-gone": ({G, P}, {M, F, L}),
    "lvm-05-repaired-pv-still-missing": ({P}, {M, F, L}),
    "lvm-07-scrub-mismatch": (set(), {M, P, G, F, C, L}),  # md says nothing of LVM's mismatches
    "lvm-08-scrub-repaired": (set(), {M, P, G, F, C, L}),
    "lvm-09-raid5-transient-then-refresh": ({C, P}, {M, G, F, L}),
    "lvm-10-refreshed": ({P}, {M, G, F, C, L}),
    "timeouts-ata-timeout": ({C}, {M, P, G, F, L}),
    "misc-dm-error-and-flakey": ({M}, {P, G, F, L}),
    "misc-fs-ext4-after-remount": ({M, F}, {P, G, L}),
    "misc-fs-ext4-corruption": ({M, F}, {P, G, L}),
    "zfs-02-read-errors": ({M}, {P, G, F, L}),
    "zfs-07-pulled": ({G}, {M, P, F, L}),
    "zfs-09-resilvered": (set(), {M, P, G, F, C, L}),
}


@pytest.mark.parametrize("step", STEPS)
def test_a_step_of_our_own_runs_tells_its_truth(step: str) -> None:
    text = (CAPTURES / f"{step}.jsonl").read_text(encoding="utf-8")
    found = {one.meaning.category for one in Story().read(parse_journal(text).lines)}
    must, must_not = STEPS[step]
    assert must <= found
    assert not must_not & found


PROOFS = (
    "ata3.00: error: { UNC }",
    SCSI_BAD_SECTOR[1],
    SCSI_BAD_SECTOR[2],
    SCSI_BAD_SECTOR[4],
    "nvme0n1: I/O Cmd(0x2) @ LBA 79872, 1016 blocks, I/O Error (sct 0x2 / sc 0x81) ",
    "md/raid:md0: read error NOT corrected!! (sector 21504 on sdb).",
)


def all_lines() -> list[str]:
    return [
        part
        for path in sorted(CAPTURES.glob("*.jsonl"))
        for row in path.read_text(encoding="utf-8").splitlines()
        for part in json.loads(row)["MESSAGE"].split("\n")
    ]


LINES = sorted({text for text in all_lines() if "sr" not in text and "usb" not in text.lower()})
garbled = st.builds(
    lambda text, start, junk: text[:start] + junk + text[start + len(junk) :],
    st.sampled_from(LINES),
    st.integers(0, 60),
    st.text(max_size=6),
)


@given(st.lists(st.one_of(st.sampled_from(LINES), garbled), max_size=30), st.data())
@settings(max_examples=200)
def test_a_garbled_and_shuffled_log_loses_no_bad_sector_whose_line_is_whole(
    lines: list[str], data: st.DataObject
) -> None:
    proof = data.draw(st.sampled_from(PROOFS))
    at = data.draw(st.integers(0, len(lines)))
    found = {one.meaning.category for one in read(*lines[:at], proof, *lines[at:])}
    assert M in found


@given(st.lists(st.text(max_size=120), max_size=12))
def test_any_text_is_read(texts: list[str]) -> None:
    read(*texts)


def test_the_captures_tell_of_every_category() -> None:
    found = Counter(
        one.meaning.category
        for path in sorted(CAPTURES.glob("*.jsonl"))
        for one in Story().read(parse_journal(path.read_text(encoding="utf-8")).lines)
    )
    assert set(found) == {M, P, G, F, C, N}
