"""The parts of a saved report that only SCSI and SAS have."""

from __future__ import annotations

import pytest

from watcher.facts.drive import Metric, Protocol, Verdict
from watcher.readers.drive_report import Report
from watcher.readers.smartctl_lines import Lines
from watcher.readers.smartctl_text_scsi import read_scsi


@pytest.mark.parametrize(
    ("health", "verdict"), [("OK", Verdict.UNKNOWN), ("FAILURE", Verdict.FAILING)]
)
def test_a_scsi_warning_that_is_switched_off_vouches_for_nothing(
    health: str, verdict: Verdict
) -> None:
    report = Report(protocol=Protocol.SCSI)
    lines = (
        "SMART support is:     Disabled",
        f"SMART Health Status: {health}",
        "  number of hours powered up = 1234.50",
        "",
    )
    read_scsi(report, Lines("\n".join(lines)))
    assert report.verdict is verdict
    assert report.metrics == {Metric.POWER_ON_HOURS: 1234}
    assert report.doubts


SCANS = """\
Background scan results log
  Status: no scans active
    Accumulated power on time, hours:minutes 26198:55 [1571935 minutes]
    Number of background scans performed: 170,  scan progress: 0.00%
    Number of background medium scans performed: 170

   #  when        lba(hex)    [sk,asc,ascq]    reassign_status
   1 20935:51  0000000017e2d5a1  [1,17,1]   Recovered via rewrite in-place
   2 22000:11  000000001ab31f7c  [3,11,0]   Require Write or Reassign Blocks command
   3 22000:12  000000001ab31f7d  [3,11,0]   Unsuccessfully reassigned by app
   4 22100:00  000000001ab31f7e  [3,11,0]   Reassigned by app, has valid data
"""
"""The layout from memory of smartctl's scsiprint.cpp; the words stand in the program, 7.3."""


COUNTED = "Elements in grown defect list: 0"


def sas(*more: str) -> Report:
    report = Report(protocol=Protocol.SCSI)
    read_scsi(report, Lines("\n".join(("SMART Health Status: OK", *more, ""))))
    return report


def test_what_a_sas_drives_own_scans_could_not_mend_is_in_doubt() -> None:
    found = sas(COUNTED, SCANS)
    assert found.metrics[Metric.PENDING_SECTORS] == 2
    assert found.metrics[Metric.POWER_ON_HOURS] == 26198
    assert found.doubts == []


def test_a_list_of_pending_defects_knows_better_than_old_scans() -> None:
    for count in (0, 5):
        found = sas(SCANS, f"  Pending defect count:{count} Pending Defects")
        assert found.metrics[Metric.PENDING_SECTORS] == count


def test_scans_that_found_nothing_are_no_promise() -> None:
    assert Metric.PENDING_SECTORS not in sas(SCANS.partition("   2 ")[0]).metrics
    assert Metric.PENDING_SECTORS not in sas().metrics


def test_scans_that_were_halted_are_a_doubt() -> None:
    (doubt,) = sas(COUNTED, SCANS.replace("no scans active", "halted due to fatal error")).doubts
    assert doubt == "The drive's own scan has stopped (halted due to fatal error)."


def test_a_sas_drive_that_tells_no_error_count_is_doubted() -> None:
    """As an ATA drive without its attribute table is: its own word alone is no counter."""
    (doubt,) = sas("Error Counter logging not supported").doubts
    assert "error counters" in doubt
    assert sas(COUNTED).doubts == []
