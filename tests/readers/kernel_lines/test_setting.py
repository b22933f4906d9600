"""What is routine: start, sleep, and devices that come and go."""

from __future__ import annotations

import pytest

from watcher.readers.kernel_lines.setting import Line, Setting, disk_of


@pytest.mark.parametrize(
    ("name", "disk"),
    [
        ("sdb1", "sdb"),
        ("sdaa12", "sdaa"),
        ("nvme0n1p2", "nvme0n1"),
        ("nvme0n1", "nvme0n1"),
        ("md0p1", "md0"),
        ("md127", "md127"),
        ("dm-3", "dm-3"),
        ("mmcblk0p3", "mmcblk0"),
    ],
)
def test_a_partition_lies_on_its_disk(name: str, disk: str) -> None:
    assert disk_of(name) == disk


def learned(*texts: str, fixed: frozenset[str] = frozenset()) -> Setting:
    setting = Setting(fixed)
    setting.look_ahead([Line(text=text) for text in texts], 1)
    return setting


def test_a_disk_on_a_usb_host_is_portable() -> None:
    setting = learned(
        "scsi host6: usb-storage 1-1:1.0", "sd 6:0:0:0: [sdx] 60125184 512-byte logical blocks"
    )
    assert setting.is_portable("sdx1")
    assert setting.is_portable("6:0:0:0")
    assert not setting.is_portable("sda")
    assert not setting.is_portable("0:0:0:0")


def test_a_removable_disk_a_card_and_an_optical_drive_are_portable() -> None:
    setting = learned("sd 7:0:0:0: [sdy] Attached SCSI removable disk")
    assert setting.is_portable("sdy")
    for name in ("sr0", "fd0", "mmcblk0p1"):
        assert setting.is_portable(name)


def test_a_disk_known_as_a_member_is_never_portable() -> None:
    setting = learned("scsi host6: uas", "sd 6:0:0:0: [sdx] x", fixed=frozenset({"sdx"}))
    assert not setting.is_portable("sdx1")
    assert not setting.may_be_usb("sdx", (1, None))


def test_an_unknown_disk_beside_a_usb_departure_may_be_the_stick() -> None:
    setting = learned("usb 5-6: USB disconnect, address 12")
    assert setting.may_be_usb("sdb", (2, None))
    assert not setting.may_be_usb("sdb", (200, None))
    assert not setting.may_be_usb("nvme0n1", (2, None))


def test_time_ends_a_setting_before_lines_do() -> None:
    setting = Setting(frozenset())
    setting.sleep_at((1, 100.0))
    assert setting.is_resuming((5, 110.0))
    assert not setting.is_resuming((5, 1000.0))
    assert not setting.is_resuming((500, 110.0))


def test_what_is_remembered_is_bounded() -> None:
    setting = learned(*(f"scsi host{n}: uas" for n in range(2000)))
    assert not setting.is_portable("1:0:0:0")
    assert setting.is_portable("1999:0:0:0")


def test_only_a_known_uptime_tells_a_start() -> None:
    assert Setting.is_starting(Line(text="", since_boot=3.0))
    assert not Setting.is_starting(Line(text="", since_boot=3000.0))
    assert not Setting.is_starting(Line(text=""))
