"""The truth of each recorded step, stated by hand, against what the readers make of it.

Origin of the steps: tests/lab/steps/README.txt. How the truth was told: by what was done to the
drives in that step, not by what a tool says of it.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.lab.captured import look
from tests.lab.step_host import kept_step, kept_steps, texts_of
from tests.lab.truth_filesystems import FILESYSTEMS

SHARED = Path(__file__).resolve().parents[2] / ".." / "shared" / "captures"

WELL = "whole"
FOUR = ["sda good", "sdb good", "sdc good", "sdd good"]
NEW_FOUR = ["sda good", "sde good", "sdc good", "sdd good"]
FIVE = [f"five_rimage_{i} good" for i in range(4)]
MIR = ["mir_rimage_0 good", "mir_rimage_1 good"]
REST_OF_SIX = ["sde good", "sdf good", "sdg good"]
ARRIVED_SIX = ["sdh good", "sdi good", *REST_OF_SIX]

# (scenario, step, pool): protection, margin, full margin, work, members, remarks
TRUTH: dict[tuple[str, str, str], tuple[Any, ...]] = {
    ("md_raid5", "01-initial-sync-running", "md0"): (
        "bare", 0, 1, "first-build running",
        ["sda good", "sdb good", "sdc good", "sdd rebuilding"], [],
    ),
    ("md_raid5", "01-initial-sync", "md0"): (WELL, 1, 1, None, FOUR, []),
    ("md_raid5", "02-healthy", "md0"): (WELL, 1, 1, None, FOUR, []),
    ("md_raid5", "03-read-errors", "md0"): (WELL, 1, 1, None, FOUR, []),
    ("md_raid5", "04-failing", "md0"): (
        "bare", 0, 1, None, ["sda good", "sdb failed", "sdc good", "sdd good"], [],
    ),
    ("md_raid5", "06-replaced", "md0"): (
        "bare", 0, 1, "rebuild running",
        ["sda good", "sde rebuilding", "sdc good", "sdd good"], [],
    ),
    ("md_raid5", "07-rebuilt", "md0"): (WELL, 1, 1, None, NEW_FOUR, []),
    ("md_raid5", "09-repair", "md0"): (WELL, 1, 1, None, NEW_FOUR, []),
    ("md_raid5", "10-check-clean", "md0"): (WELL, 1, 1, None, NEW_FOUR, []),
    # sda was pulled and taken out, sdc was pulled and is still listed
    ("md_raid5", "11-two-failed", "md0"): (
        "broken", 0, 1, None,
        ["slot 0 missing", "sde good", "sdc failed", "sdd good"], ["inactive"],
    ),
    ("md_raid1_raid6", "01-initial-resync", "md1"): (
        WELL, 1, 1, "first-build running", ["sda good", "sdb good"], [],
    ),
    ("md_raid1_raid6", "01-initial-resync", "md6"): (
        WELL, 2, 2, "first-build running",
        ["sdc good", "sdd good", *REST_OF_SIX], [],
    ),
    ("md_raid1_raid6", "02-healthy", "md6"): (
        WELL, 2, 2, None, ["sdc good", "sdd good", *REST_OF_SIX], [],
    ),
    ("md_raid1_raid6", "02-healthy", "md7"): (
        WELL, 1, 1, None, ["nvme0n1p1 good", "nvme1n1p1 good"], [],
    ),
    # one unreadable area counts as a difference, and is no proof of damage
    ("md_raid1_raid6", "03-medium-error", "md1"): (
        WELL, 1, 1, None, ["sda good", "sdb good"], ["copies-differ"],
    ),
    ("md_raid1_raid6", "04-medium-error-persistent", "md1"): (
        WELL, 1, 1, None, ["sda good", "sdb good"], ["copies-differ"],
    ),
    ("md_raid1_raid6", "05-raid6-one-gone", "md6"): (
        "thinned", 1, 2, None, ["sdc failed", "sdd good", *REST_OF_SIX], [],
    ),
    ("md_raid1_raid6", "07-raid6-rebuilding-first", "md6"): (
        "bare", 0, 2, "rebuild running",
        ["sdh rebuilding", "slot 1 missing", *REST_OF_SIX], [],
    ),
    ("md_raid1_raid6", "09-frozen", "md6"): (
        "bare", 0, 2, "rebuild paused",
        ["sdh rebuilding", "sdi rebuilding", *REST_OF_SIX], ["frozen"],
    ),
    ("md_raid1_raid6", "10-raid6-rebuilt", "md6"): (WELL, 2, 2, None, ARRIVED_SIX, []),
    ("md_raid1_raid6", "11-raid1-leg-failed", "md1"): (
        "bare", 0, 1, None, ["sda good", "sdb failed"], ["copies-differ"],
    ),
    ("md_raid1_raid6", "12-raid1-re-added", "md1"): (
        WELL, 1, 1, None, ["sda good", "sdb good"], ["copies-differ"],
    ),
    # both NVMe drives were pulled; md10 was idle and still counts on the second one
    ("md_raid1_raid6", "14-last-leg", "md10"): (
        "broken", 0, 1, None,
        ["slot 0 missing", "nvme1n1p2 missing"], ["device-gone", "few-checks"],
    ),
    ("md_raid1_raid6", "15-resync-pending-readonly", "md1"): (
        WELL, 1, 1, None, ["sda good", "sdb good"], ["read-only"],
    ),
    ("md_raid1_raid6", "16-inactive", "md10"): (
        "broken", 0, 1, None,
        ["slot 0 missing", "nvme1n1p2 missing"], ["device-gone", "few-checks"],
    ),
    # md1 was stopped with both members in place: nothing reaches its data
    ("md_raid1_raid6", "16-inactive", "lab:1"): (
        "broken", 0, None, None, ["sda unknown", "sdb unknown"], ["inactive"],
    ),
    ("e2e_md", "1-healthy", "md0"): (WELL, 1, 1, None, FOUR, []),
    ("e2e_md", "2-failing", "md0"): (
        "bare", 0, 1, None, ["sda good", "sdb failed", "sdc good", "sdd good"], [],
    ),
    ("e2e_md", "3-pulled", "md0"): (
        "bare", 0, 1, None, ["sda good", "slot 1 missing", "sdc good", "sdd good"], [],
    ),
    # a replacement, though the array is two minutes old and has the number 4 in it
    ("e2e_md", "4-rebuilding", "md0"): (
        "bare", 0, 1, "rebuild running",
        ["sda good", "sde rebuilding", "sdc good", "sdd good"], [],
    ),
    ("e2e_md", "5-healthy", "md0"): (WELL, 1, 1, None, NEW_FOUR, []),
    ("e2e_md", "6-check", "md0"): (WELL, 1, 1, None, NEW_FOUR, []),
    ("misc", "md-read-error-corrected", "md0"): (
        WELL, 1, 1, None, ["sda good", "sdb good", "sdc good"], ["member-errs"],
    ),
    ("lvm", "01-initial-sync", "vg0/five"): (WELL, 1, 1, None, FIVE, []),
    ("lvm", "01-initial-sync", "vg0/mir"): (WELL, 1, 1, "first-build running", MIR, []),
    ("lvm", "02-healthy", "vg0/five"): (WELL, 1, 1, None, FIVE, []),
    ("lvm", "02-healthy", "vg0/mir"): (WELL, 1, 1, None, MIR, []),
    ("lvm", "03-leg-gone", "vg0/five"): (WELL, 1, 1, None, FIVE, ["listed-missing"]),
    ("lvm", "03-leg-gone", "vg0/mir"): (
        "bare", 0, 1, None,
        ["mir_rimage_0 good", "mir_rimage_1 missing"], ["listed-missing"],
    ),
    ("lvm", "05-repaired-pv-still-missing", "vg0/mir"): (
        WELL, 1, 1, None, MIR, ["listed-missing"],
    ),
    ("lvm", "06-reduced-healthy", "vg0/mir"): (WELL, 1, 1, None, MIR, []),
    ("lvm", "07-scrub-mismatch", "vg0/mir"): (WELL, 1, 1, None, MIR, ["copies-differ"]),
    ("lvm", "08-scrub-repaired", "vg0/mir"): (WELL, 1, 1, None, MIR, []),
    ("lvm", "09-raid5-transient-then-refresh", "vg0/five"): (
        "bare", 0, 1, None,
        ["five_rimage_0 good", "five_rimage_1 failed", *FIVE[2:]], ["refresh-needed"],
    ),
    ("lvm", "10-refreshed", "vg0/five"): (WELL, 1, 1, None, FIVE, []),
}  # fmt: skip
TRUTH |= FILESYSTEMS


def told(pool: dict[str, Any]) -> tuple[Any, ...]:
    """Put a pool into the form of the table."""
    work = pool["work"]
    return (
        pool["protection"],
        pool["margin"],
        pool["full_margin"],
        f"{work['kind']} {work['state']}" if work else None,
        [f"{m['name']} {m['state']}" for m in pool["members"]],
        [note["remark"] for note in pool["remarks"]],
    )


@pytest.mark.parametrize(("scenario", "step", "name"), sorted(TRUTH))
def test_a_recorded_pool_is_told_as_it_was(scenario: str, step: str, name: str) -> None:
    pools = {pool["name"]: pool for pool in look(kept_step(scenario, step))["pools"]}
    assert told(pools[name]) == TRUTH[scenario, step, name]


def test_every_kept_step_has_its_truth_in_the_table() -> None:
    """The steps of other kinds of pools have their table beside their readers."""
    mine = {scenario for scenario, _, _ in TRUTH}
    kept = {(scenario, step) for scenario, step in kept_steps() if scenario in mine}
    assert {(scenario, step) for scenario, step, _ in TRUTH} == kept


def test_members_are_traced_to_drives_that_keep_their_names() -> None:
    pool = look(kept_step("md_raid5", "06-replaced"))["pools"][0]
    drives = {member["name"]: member["drives"] for member in pool["members"]}
    assert drives == {
        "sda": ["wwn-5000c500a0000000"],
        "sde": ["wwn-5000c500a0000004"],
        "sdc": ["wwn-5000c500a0000002"],
        "sdd": ["wwn-5000c500a0000003"],
    }


def test_an_array_keeps_its_identity_when_members_change() -> None:
    steps = [s for scenario, s in kept_steps() if scenario == "md_raid5"]
    ids = {look(kept_step("md_raid5", step))["pools"][0]["id"] for step in steps}
    assert ids == {"md:ce391fe7:343f770f:00b6873b:4fac137a"}


def test_the_rebuild_is_as_far_as_the_kernel_says() -> None:
    """The line of the step: 28288 of 63488 KiB at 4714 K a second."""
    work = look(kept_step("e2e_md", "4-rebuilding"))["pools"][0]["work"]
    assert work["done_fraction"] == pytest.approx(28288 / 63488)
    assert work["rate_bytes_per_second"] == 4714 * 1024


@pytest.mark.parametrize("lost", ["mdstat.txt", "lsblk.json"])
def test_a_source_that_was_not_recorded_is_a_blind_spot(lost: str) -> None:
    texts = {n: t for n, t in kept_step("md_raid5", "02-healthy").items() if n != lost}
    seen = look(texts)
    if lost == "lsblk.json":
        assert "block-devices" in [spot["source"] for spot in seen["blind"]]
    else:
        assert "md" in [spot["source"] for spot in seen["blind"]]
        assert not seen["pools"]


def test_a_step_is_judged_by_the_rules() -> None:
    findings = look(kept_step("md_raid5", "04-failing"))["findings"]
    about = "pool:md:ce391fe7:343f770f:00b6873b:4fac137a"
    assert [f["urgency"] for f in findings if f["subject"] == about] == ["now"]


def test_the_command_prints_one_json_object(tmp_path: Path) -> None:
    for name, text in kept_step("md_raid5", "04-failing").items():
        (tmp_path / name).write_text(text)
    ran = subprocess.run(
        [sys.executable, "-m", "tests.lab.captured", str(tmp_path), "--json"],
        cwd=Path(__file__).resolve().parents[2],
        capture_output=True,
        text=True,
        check=True,
    )
    seen = json.loads(ran.stdout)
    assert seen["pools"][0]["protection"] == "bare"
    assert set(seen) >= {"pools", "drives", "events", "findings", "blind"}


@pytest.mark.skipif(not SHARED.is_dir(), reason="the folder of captures is not beside the project")
def test_no_recorded_step_at_all_makes_a_reader_fall_over() -> None:
    folders = [
        step for scenario in SHARED.iterdir() if scenario.is_dir() for step in scenario.iterdir()
    ]
    for folder in sorted(f for f in folders if f.is_dir()):
        assert "pools" in look(texts_of(folder)), folder.name
