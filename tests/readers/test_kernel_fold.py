"""Folding storms, and finding who a name stood for."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from watcher.facts.identity import DriveId, PoolId, Subject, about_drive, about_pool
from watcher.facts.kernel_event import Category, KernelEvent
from watcher.readers.host import Ran
from watcher.readers.kernel_fold import Names, fold, names_from_sysfs
from watcher.readers.kernel_lines.setting import Line
from watcher.readers.kernel_lines.story import Story, Told
from watcher.readers.kernel_lines.table import Meaning
from watcher.readers.recorded import RecordedHost

NOW = datetime(2026, 11, 25, 13, 30, tzinfo=UTC)
DRIVE = about_drive(DriveId("wwn-5000c500a0000001"))
OTHER = about_drive(DriveId("wwn-5000c500a0000002"))
POOL = about_pool(PoolId("md:1:2:3:4"))


PCI = "/sys/devices/pci0000:00/0000:00"
PATHS = {
    "/sys/block/sdb": f"{PCI}:1f.2/ata3/host2/target2:0:0/2:0:0:0/block/sdb",
    "/sys/block/sdx": f"{PCI}:14.0/usb1/1-1/1-1:1.0/host6/target6:0:0/6:0:0:0/block/sdx",
    "/sys/block/nvme0n1": f"{PCI}:1d.0/0000:01:00.0/nvme/nvme0/nvme0n1",
}


class FakeSys:
    """A machine with four disks; it is asked for nothing but /sys."""

    def real_path(self, path: str) -> str:
        return PATHS.get(path, path)

    def read_text(self, path: str) -> str:
        if path == "/sys/block/sdz/removable":
            return "1\n"
        raise FileNotFoundError(path)

    def run(
        self, argv: Sequence[str], *, limit_seconds: float = 30.0, lane: str | None = None
    ) -> Ran:
        raise AssertionError(argv, limit_seconds, lane)

    def list_dir(self, path: str) -> tuple[str, ...]:
        raise AssertionError(path)

    def exists(self, path: str) -> bool:
        return path in PATHS


def told(
    device: str,
    seconds: int = 0,
    *,
    adds: bool = True,
    what: str = "x",
    category: Category = Category.MEDIUM,
) -> Told:
    return Told(
        line=Line(text=f"line of {device}", at=NOW + timedelta(seconds=seconds)),
        meaning=Meaning(what=what, category=category, device=device),
        adds=adds,
    )


NAMES = Names(
    subjects={
        "sdb": DRIVE,
        "ata3": DRIVE,
        "2:0:0:0": DRIVE,
        "nvme0n1": OTHER,
        "nvme0": OTHER,
        "md0": POOL,
    }
)


def test_every_name_of_a_drive_finds_it() -> None:
    for name in ("sdb", "sdb1", "ata3", "ata3.00", "2:0:0:0", "/dev/disk/x/sdb-part1"):
        assert NAMES.lookup(name) == DRIVE, name
    for name in ("nvme0", "nvme0n1", "nvme0n1p2"):
        assert NAMES.lookup(name) == OTHER, name
    assert NAMES.lookup("md0p1") == POOL
    assert NAMES.lookup("sdc") is None
    assert NAMES.lookup("") is None


def test_other_paths_of_a_device_find_it_too() -> None:
    names = NAMES.called_too(
        [
            ("/dev/disk/by-id/ata-Corvid_Plough_1", "sdb"),
            ("/dev/disk/by-id/ata-Corvid_Plough_1-part1", "sdb1"),
            ("/dev/disk/by-id/ata-Nobody", "sdq"),
        ]
    )
    for name in ("disk/by-id/ata-Corvid_Plough_1", "/dev/disk/by-id/ata-Corvid_Plough_1-part1"):
        assert names.lookup(name) == DRIVE, name
    assert names.lookup("disk/by-id/ata-Nobody") is None
    assert names.lookup("sdb") == DRIVE


def test_a_filesystem_whose_member_is_gone_is_found_by_the_device_it_is_called_after() -> None:
    gone = Told(
        line=Line(text="BTRFS error (device sdb): fixed up error on dev /dev/sdq", at=NOW),
        meaning=Meaning(what="fs-x", category=Category.FILESYSTEM, device="sdq"),
        adds=True,
    )
    member = gone._replace(meaning=gone.meaning._replace(category=Category.POOL))
    (filesystem, pool) = fold([gone, member], NAMES, NOW).events
    assert {(e.category, e.subject) for e in (filesystem, pool)} == {
        (Category.FILESYSTEM, DRIVE),
        (Category.POOL, None),  # errors of the member that is gone are not those of its neighbour
    }


def test_what_is_told_alike_of_one_drive_under_two_names_is_one_event() -> None:
    folded = fold([told("sdb", 5), told("ata3.00", 2), told("sdb1", 9, adds=False)], NAMES, NOW)
    assert folded.events == (
        KernelEvent(
            at=NOW + timedelta(seconds=2),
            category=Category.MEDIUM,
            what="x",
            device="sdb",
            subject=DRIVE,
            line="line of sdb",
            count=2,
            last_at=NOW + timedelta(seconds=9),
        ),
    )


def test_different_drives_and_different_kinds_stay_apart() -> None:
    folded = fold([told("sdb"), told("sdc"), told("sdc", what="y")], NAMES, NOW)
    assert [(one.device, one.what, one.subject) for one in folded.events] == [
        ("sdb", "x", DRIVE),
        ("sdc", "x", None),
        ("sdc", "y", None),
    ]


def test_a_line_without_a_time_counts_as_now() -> None:
    one = Told(line=Line(text="t"), meaning=Meaning(what="x", category=Category.POOL))
    assert fold([one], Names(), NOW).events[0].at == NOW


def test_what_is_older_than_a_day_is_folded_apart() -> None:
    """The first look reads the log of weeks: a storm that goes on must not count as an old one."""
    week = 7 * 24 * 3600
    storm = [told("sdb", -week), told("sdb", -week + 60), told("sdb", -60), told("sdb")]
    old, new = fold(storm, NAMES, NOW).events
    assert (old.count, new.count) == (2, 2)
    assert old.last_at is not None
    assert old.last_at < NOW - timedelta(hours=24) <= new.at


def test_a_storm_is_one_event_with_its_count() -> None:
    folded = fold((told("sdb", number) for number in range(10_000)), NAMES, NOW)
    assert [event.count for event in folded.events] == [10_000]


def test_beyond_the_limit_the_least_grave_are_left_out_and_that_is_said() -> None:
    noise = [told(f"ata{n}", category=Category.NOISE) for n in range(500)]
    grave = [told(f"sd{n}") for n in range(5)]
    folded = fold([*noise, *grave, *noise], Names(), NOW, limit=20)
    assert len(folded.events) == 20
    assert sum(event.category is Category.MEDIUM for event in folded.events) == 5
    assert folded.left_out >= 485
    assert str(folded.left_out) in folded.note
    assert fold(grave, Names(), NOW).note == ""


def test_names_come_from_where_a_disk_sits() -> None:
    stick = about_drive(DriveId("STICK_1"))
    card = about_drive(DriveId("CARD_1"))
    subjects: dict[str, Subject] = {
        "sdb": DRIVE,
        "sdx": stick,
        "nvme0n1": OTHER,
        "md0": POOL,
        "sdz": card,
    }
    names = names_from_sysfs(FakeSys(), subjects)
    assert names.lookup("ata3.00") == DRIVE
    assert names.lookup("2:0:0:0") == DRIVE
    assert names.lookup("nvme0") == OTHER
    assert names.lookup("0000:01:00.0") == OTHER
    assert names.lookup("6:0:0:0") == stick
    assert names.fixed == {"sdb", "2:0:0:0", "nvme0n1"}


SUBSYSTEM = "/sys/devices/virtual/nvme-subsystem"


def test_a_controller_of_a_drive_with_several_paths_is_not_told_by_its_number() -> None:
    """drivers/nvme/host/multipath.c: disks are named after the subsystem, paths after both."""
    host = RecordedHost(
        links={
            "/sys/block/nvme0n1": f"{SUBSYSTEM}/nvme-subsys0/nvme0n1",
            "/sys/block/nvme1n1": f"{SUBSYSTEM}/nvme-subsys1/nvme1n1",
            **{
                f"/sys/class/nvme/nvme{n}": f"{PCI}:1d.{n}/0000:0{n + 1}:00.0/nvme/nvme{n}"
                for n in range(3)
            },
        },
        folders={
            f"{SUBSYSTEM}/nvme-subsys0": ["nvme0n1", "nvme1", "nvme2", "model"],
            f"{SUBSYSTEM}/nvme-subsys1": ["nvme1n1", "nvme0"],
        },
    )
    names = names_from_sysfs(host, {"nvme0n1": DRIVE, "nvme1n1": OTHER})
    for name in ("nvme1", "nvme2", "0000:02:00.0", "0000:03:00.0", "nvme0c1n1", "nvme0n1p1"):
        assert names.lookup(name) == DRIVE, name
    for name in ("nvme0", "0000:01:00.0", "nvme1c0n1", "nvme1n1"):
        assert names.lookup(name) == OTHER, name
    unseen = RecordedHost(links={"/sys/block/nvme0n1": f"{SUBSYSTEM}/nvme-subsys0/nvme0n1"})
    assert names_from_sysfs(unseen, {"nvme0n1": DRIVE}).lookup("nvme0") is None


def test_which_port_a_disk_hangs_on_is_told_where_it_is_known() -> None:
    subjects = dict.fromkeys(("sdb", "sdx", "nvme0n1", "sdq"), DRIVE)
    names = names_from_sysfs(FakeSys(), subjects)
    assert names.ports == {"sdb": "ata3", "sdx": "", "nvme0n1": ""}  # of sdq nothing is known


def test_a_member_of_a_pool_is_never_portable() -> None:
    stick = about_drive(DriveId("STICK_1"))
    names = names_from_sysfs(FakeSys(), {"sdx": stick}, members=frozenset({stick}))
    assert names.fixed == {"sdx", "6:0:0:0"}
    line = Line(text="critical medium error, dev sdx, sector 8")
    lines = [Line(text="scsi host6: uas"), Line(text="sd 6:0:0:0: [sdx] x"), line]
    (event,) = fold(Story(names.fixed).read(lines), names, NOW).events
    assert (event.category, event.subject) == (Category.MEDIUM, stick)


def test_a_line_of_a_clock_that_was_set_back_since_is_of_now() -> None:
    """By its own date it would count as said in the last day until that date has come."""
    years = 10 * 365 * 24 * 3600
    told_ahead = [told("sdb", years), told("sdb", years + 60), told("sdb", -60)]
    (event,) = fold(told_ahead, Names(subjects={}), NOW).events
    assert event.count == 3
    assert event.at <= NOW
    assert event.last_at == NOW
    (soon,) = fold([told("sdb", 30)], Names(subjects={}), NOW).events
    assert soon.at == NOW + timedelta(seconds=30), "said while the look went on"
