"""``zpool status`` as text, parsed strictly."""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.lab.step_host import kept_step, kept_steps
from tests.readers.pools.zfs_texts import SCRUB_DONE, drive, group, row, text
from watcher.readers.errors import CannotParse
from watcher.readers.pools import zfs_json, zfs_text
from watcher.readers.pools.zfs_status import Scan, ScanState, leaves_of

WORDS = (
    "  pool: tank", " state: ONLINE", "config:", "errors: ", "No known data errors", "\tNAME STATE",
    " READ WRITE CKSUM", "\ttank ONLINE 0 0 0", "\t  raidz1-0 ONLINE 0 0 0", "\t    /dev/sda ",
    "\tspares", "  scan: ", "scrub in progress since ", "99% done", "\t", "  ",
)  # fmt: skip
RAIDZ = group("raidz1-0", "sda", "sdb", "sdc")
LISTED = (
    "Permanent errors have been detected in the following files:\n\n        /tank/a b\n"
    "        tank/vm:<0x1>\n"
)


@given(st.one_of(st.text(), st.lists(st.sampled_from([*WORDS, "\n"])).map("".join)))
def test_any_text_gives_a_value_or_cannot_parse(said: str) -> None:
    with contextlib.suppress(CannotParse):
        zfs_text.parse(said)


def test_no_pools_are_told_in_words() -> None:
    assert zfs_text.parse("no pools available\n") == ()
    with pytest.raises(CannotParse):
        zfs_text.parse("")


def test_a_block_without_its_errors_line_was_cut() -> None:
    said = text(RAIDZ)
    with pytest.raises(CannotParse, match="it was cut"):
        zfs_text.parse(said[: said.index("errors:")])


@pytest.mark.parametrize("step", [step for scenario, step in kept_steps() if scenario == "zfs"])
def test_text_and_json_of_one_moment_tell_the_same_pool(step: str) -> None:
    kept = kept_step("zfs", step)
    (plain,) = zfs_text.parse(kept["zpool-status-Ppv.txt"])
    (exact,) = zfs_json.parse(kept["zpool-status-p-P-v-json-int.json"])
    assert (plain.name, plain.said, plain.why) == (exact.name, exact.said, exact.why)
    assert plain.damaged_files == exact.damaged_files
    assert bool(plain.data_errors) == bool(exact.data_errors)
    told = [[(v.name, v.said, v.errors) for top in one.everything for v in leaves_of(top)]
            for one in (plain, exact)]  # fmt: skip
    assert told[0] == told[1]
    assert [(s.resilver, s.state, s.errors, s.ended_at) for s in plain.scans] == [
        (s.resilver, s.state, s.errors, s.ended_at) for s in exact.scans
    ]


def test_the_tree_keeps_its_depth() -> None:
    inner = group("replacing-1", drive("sdb", "UNAVAIL", depth=3), drive("sdd", depth=3), depth=2)
    (pool,) = zfs_text.parse(text([row(1, "mirror-0"), drive("sda"), *inner]))
    (top,) = pool.data
    assert [part.name for part in top.parts] == ["/dev/sda", "replacing-1"]
    assert [part.name for part in top.parts[1].parts] == ["/dev/sdb", "/dev/sdd"]


@pytest.mark.parametrize(
    "said",
    [
        (
            f"{SCRUB_DONE}\n scrub: scrubbed 3 error blocks in 0 days 00:00:04 on "
            "Sat Feb 28 03:00:00 2026"
        ),
        f"{SCRUB_DONE}\n scrub: error scrub canceled on Sat Feb 28 03:00:00 2026",
        (
            f"{SCRUB_DONE}\n scrub: error scrub in progress since Sat Feb 28 03:00:00 2026\n"
            "\t50.00% done, issued I/O for 2 error blocks"
        ),
        (
            "error scrub paused since Sat Feb 28 03:00:00 2026\n"
            "\terror scrub started on Sat Feb 28 02:50:00 2026"
        ),
    ],
)
def test_a_scrub_of_known_errors_alone_is_no_strange_word(said: str) -> None:
    """OpenZFS 2.2 (from memory); it proves nothing of the rest, so it is no scrub of the pool."""
    (pool,) = zfs_text.parse(text(RAIDZ, scan=said))
    assert pool.unknown_scan == ""
    assert [one.ended_at for one in pool.scans if not one.resilver] in ([], [ENDED])


def test_sections_are_kept_apart() -> None:
    sections = {
        "special": group("mirror-1", "sdd", "sde"),
        "logs": [drive("sdf", depth=1)],
        "cache": [drive("sdg", depth=1)],
        "spares": [drive("sdh", "AVAIL", depth=1)],
    }
    (pool,) = zfs_text.parse(text(RAIDZ, sections=sections))
    assert [len(pool.data), len(pool.special), len(pool.logs), len(pool.cache)] == [1, 1, 1, 1]
    assert (pool.spares[0].said, pool.spares[0].errors) == ("AVAIL", None)


def test_a_device_that_is_only_a_number_keeps_where_it_was() -> None:
    lost = row(2, "12345678901234567890", "UNAVAIL", remark="was /dev/disk/by-id/wwn-0x1-part1")
    (pool,) = zfs_text.parse(text([row(1, "raidz1-0", "DEGRADED"), drive("sda"), lost]))
    assert pool.data[0].parts[1].path == "/dev/disk/by-id/wwn-0x1-part1"


@pytest.mark.parametrize(
    "rows",
    [
        [row(1, "mirror-0"), drive("sda")],  # a mirror of one
        [row(1, "raidz1-0")],  # an empty group
        [row(1, "raidz1-0"), drive("sda", depth=3)],  # a level left out
        [drive("sda", depth=1), drive("sdb", depth=2)],  # something below a drive
        [*RAIDZ, drive("sda")],  # a drive twice
        [],
    ],
)
def test_a_tree_that_cannot_be_is_refused(rows: list[object]) -> None:
    with pytest.raises(CannotParse):
        zfs_text.parse(text(rows))  # type: ignore[arg-type] - the rows are of one type


@pytest.mark.parametrize(
    ("said", "count", "files"),
    [
        ("No known data errors", 0, ()),
        ("65 data errors, use '-v' for a list", 65, ()),
        (LISTED, 2, ("/tank/a b", "tank/vm:<0x1>")),
        ("List of errors unavailable: permission denied", None, ()),
    ],
)  # fmt: skip
def test_damage_is_told_in_four_ways(said: str, count: int | None, files: tuple[str, ...]) -> None:
    (pool,) = zfs_text.parse(text(RAIDZ, errors=said))
    assert (pool.data_errors, pool.damaged_files) == (count, files)


def test_a_pool_that_stopped_lists_no_errors_and_counts_them() -> None:
    """A suspended pool prints the line twice; the count is of the time before, so it tells nothing
    (from memory of zpool status, OpenZFS 2.x)."""
    said = (
        "List of errors unavailable: pool I/O is currently suspended\n\n"
        "errors: 12 data errors, use '-v' for a list"
    )
    (pool,) = zfs_text.parse(text(RAIDZ, errors=said))
    assert (pool.data_errors, pool.damaged_files) == (None, ())


def test_errors_that_are_not_understood_are_refused() -> None:
    with pytest.raises(CannotParse):
        zfs_text.parse(text(RAIDZ, errors="No known"))


WHEN = "Sat Feb 28 02:00:00 2026"
ENDED = datetime(2026, 2, 28, 2, 0, tzinfo=UTC)
RUNNING_21 = (
    f"scrub in progress since {WHEN}\n\t1.20T scanned at 1.00G/s, 500G issued at 300M/s, 2.00T "
    "total\n\t0B repaired, 24.41% done, 01:23:45 to go"
)
RUNNING_23 = (
    f"resilver in progress since {WHEN}\n\t122M / 122M scanned, 50M / 122M issued at 1.5M/s\n"
    "\t46.6M resilvered, 41.00% done, 00:01:10 to go"
)


@pytest.mark.parametrize(
    ("said", "scan"),
    [
        (f"scrub repaired 10.9M in 00:00:01 with 3 errors on {WHEN}",
         Scan(resilver=False, state=ScanState.FINISHED, errors=3, ended_at=ENDED)),
        (f"resilvered 46.6M in 2 days 00:00:18 with 0 errors on {WHEN}",
         Scan(resilver=True, state=ScanState.FINISHED, ended_at=ENDED)),
        (f"resilvered (mirror-0) 1.2G in 00:00:10 with 0 errors on {WHEN}",
         Scan(resilver=True, state=ScanState.FINISHED, ended_at=ENDED)),
        (f"resilver canceled on {WHEN}",
         Scan(resilver=True, state=ScanState.CANCELED, ended_at=ENDED)),
        (f"scrub canceled on {WHEN}",
         Scan(resilver=False, state=ScanState.CANCELED, ended_at=ENDED)),
        (f"scrub paused since {WHEN}\n\tscrub started on {WHEN}\n\t0B repaired, 12.50% done",
         Scan(resilver=False, state=ScanState.PAUSED, fraction=0.125)),
        (RUNNING_21, Scan(resilver=False, state=ScanState.RUNNING, fraction=0.2441,
                          rate_bytes_per_second=300 * 1024**2)),
        (RUNNING_23, Scan(resilver=True, state=ScanState.RUNNING, fraction=0.41,
                          rate_bytes_per_second=int(1.5 * 1024**2))),
    ],
)  # fmt: skip
def test_a_scan_is_told_in_all_its_states(said: str, scan: Scan) -> None:
    """Finished as run; running, paused and canceled from memory of zpool-status(8)'s examples.
    States and functions: REFERENCES 4.32, include/sys/fs/zfs.h of OpenZFS."""
    (pool,) = zfs_text.parse(text(RAIDZ, scan=said))
    (told,) = pool.scans
    assert told.fraction == pytest.approx(scan.fraction)
    assert (told.resilver, told.state, told.errors, told.ended_at, told.rate_bytes_per_second) == (
        scan.resilver, scan.state, scan.errors, scan.ended_at, scan.rate_bytes_per_second,
    )  # fmt: skip


def test_progress_above_all_is_all() -> None:
    """VERIFIED on REFERENCES 4.33: progress may pass 100 %."""
    said = f"scrub in progress since {WHEN}\n\t0B repaired, 117.30% done, no estimate"
    (pool,) = zfs_text.parse(text(RAIDZ, scan=said))
    assert pool.scans[0].fraction == 1.0


def test_none_requested_is_no_scan_and_an_odd_line_is_kept() -> None:
    (none,) = zfs_text.parse(text(RAIDZ, scan="none requested"))
    (odd,) = zfs_text.parse(text(RAIDZ, scan="scrub dreaming since noon"))
    assert (none.scans, none.unknown_scan) == ((), "")
    assert (odd.scans, odd.unknown_scan) == ((), "scrub dreaming since noon")


def test_two_pools_are_two_and_one_twice_is_refused() -> None:
    one = text(RAIDZ)
    other = one.replace("tank", "bowl")
    assert [pool.name for pool in zfs_text.parse(one + other)] == ["tank", "bowl"]
    with pytest.raises(CannotParse, match="twice"):
        zfs_text.parse(one + one)


def test_slow_operations_are_read_where_they_are_counted() -> None:
    """The rows as ``zpool status -s`` of OpenZFS 2.3.2 printed them, in our own run, but for the
    counts; groups have a dash."""
    said = text(RAIDZ).replace("CKSUM", "CKSUM  SLOW")
    lines = [
        f"{line}     -" if "raidz1-0" in line or "tank  " in line else line
        for line in said.splitlines()
    ]
    for drive_name, slow in (("sda", "0"), ("sdb", "12"), ("sdc", "0  (resilvering)")):
        lines = [f"{line}    {slow}" if drive_name in line else line for line in lines]
    (pool,) = zfs_text.parse("\n".join(lines) + "\n")
    (top,) = pool.data
    assert top.slow is None
    assert [(part.slow, part.remark) for part in top.parts] == [
        (0, ""),
        (12, ""),
        (0, "resilvering"),
    ]
    (plain,) = zfs_text.parse(text(RAIDZ))
    assert {part.slow for part in plain.data[0].parts} == {None}


def test_names_with_blanks_are_read() -> None:
    """zpool-create(8): a pool's name may have spaces in it; and so may the path of a file."""
    rows = group("mirror-0", drive("disk/a 1"), drive("12345", "UNAVAIL", remark="was /dev/b 1"))
    said = text(rows).replace("tank", "my tank")
    (pool,) = zfs_text.parse(said)
    assert pool.name == "my tank"
    (top,) = pool.data
    assert [(part.name, part.said, part.path) for part in top.parts] == [
        ("/dev/disk/a 1", "ONLINE", "/dev/disk/a 1"),
        ("/dev/12345", "UNAVAIL", "/dev/b 1"),
    ]


def test_a_name_that_cannot_be_told_from_its_state_is_refused() -> None:
    """The person then hears that the ZFS pools were not read, and not of a smaller pool."""
    for odd in ("a  b", "a  ONLINE", "AVAIL  a"):
        with pytest.raises(CannotParse):
            zfs_text.parse(text(RAIDZ).replace("/dev/sdb", f"/dev/{odd}"))
        with pytest.raises(CannotParse):
            zfs_text.parse(text(RAIDZ).replace("tank", odd))
