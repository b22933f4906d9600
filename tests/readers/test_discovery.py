"""Three sources say which drives there are; none of them can lose a drive that another has."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.readers.drive_samples import SHARED, recorded
from watcher.facts.drive import Unread
from watcher.readers.block_map import BlockMap
from watcher.readers.blocks import parse as parse_blocks
from watcher.readers.discovery import COMMAND, Found, ToldDrive, discover, parse
from watcher.readers.drive_target import DriveTarget
from watcher.readers.errors import CannotParse
from watcher.readers.host import Ended, Ran
from watcher.readers.recorded import Answer, RecordedHost

LISTINGS = SHARED / "data" / "pysmart_fixtures" / "open" / "listingtests"
BOOT = parse_blocks(recorded("lsblk-boot.json"))


def scan_of(*devices: tuple[str, str], lines: tuple[str, ...] = ()) -> str:
    head = {"version": [7, 3], "exit_status": 0, "output": list(lines)}
    listed = [{"name": name, "type": kind, "protocol": "x"} for name, kind in devices]
    return json.dumps({"smartctl": head, "devices": listed})


def find(text: str, blocks: BlockMap | None, *told: ToldDrive, also: tuple[str, ...] = ()) -> Found:
    host = RecordedHost(programs={COMMAND: (0, text, "")})
    return discover(host, blocks=blocks, told=told, also=also)


def named(found: Found) -> list[tuple[str, str]]:
    return [(target.node, target.device_type) for target in found.targets]


def blocks_of(*nodes: dict[str, object]) -> BlockMap:
    return parse_blocks(json.dumps({"blockdevices": list(nodes)}))


def test_a_recorded_box_has_all_its_drives_and_its_virtual_disk() -> None:
    found = find(recorded("scan-open.json"), BOOT)
    assert named(found) == [
        ("/dev/sda", "scsi"),
        ("/dev/sdb", "sat"),
        ("/dev/sdc", "sat"),
        ("/dev/sdd", "sat"),
        ("/dev/sde", "sat"),
        ("/dev/nvme0", "nvme"),
        ("/dev/vda", "auto"),
    ]
    ids = [target.known.drive if target.known else None for target in found.targets]
    assert ids[1] == "wwn-5000c500a0000000"
    assert ids[5] == "QEMU_NVMe_Ctrl_QLNVME0000"
    assert ids[6] == "unidentified_vda"
    assert found.answered


def test_disks_are_there_even_when_smartctl_lists_nothing() -> None:
    """As a plain user, smartctl 7.3 gives an empty list and status 0: that is blindness."""
    found = find(scan_of(), BOOT)
    assert len(found.targets) == 7
    assert all(kind == "auto" for _, kind in named(found))
    assert [spot.why for spot in found.blind] == [Unread.FORBIDDEN]


def test_an_empty_list_is_an_answer_where_all_disks_are_virtual() -> None:
    found = find(scan_of(), blocks_of({"name": "vda", "type": "disk", "size": 4}))
    assert named(found) == [("/dev/vda", "auto")]
    assert found.answered


@pytest.mark.parametrize(
    ("answer", "why"),
    [
        (Ran(argv=COMMAND, ended=Ended.MISSING), Unread.TOOL_MISSING),
        (Ran(argv=COMMAND, ended=Ended.TIMED_OUT, seconds=30), Unread.HUNG),
        (Ran(argv=COMMAND, ended=Ended.STUCK), Unread.HUNG),
        (Ran(argv=COMMAND, ended=Ended.FORBIDDEN), Unread.FORBIDDEN),
        ((0, '{"smartctl":{', ""), Unread.GARBLED),
        ((0, "something else", ""), Unread.GARBLED),
        ((1, "UNRECOGNIZED OPTION", ""), Unread.TOOL_MISSING),
    ],
)
def test_without_a_scan_we_are_blind_and_still_ask_the_disks(answer: Answer, why: Unread) -> None:
    found = discover(RecordedHost(programs={COMMAND: answer}), blocks=BOOT)
    assert [(spot.source, spot.why) for spot in found.blind] == [("drive-discovery", why)]
    assert found.blind[0].remedy
    assert len(found.targets) == 7
    assert not found.answered


def test_without_block_devices_we_are_blind_and_still_ask_what_was_scanned() -> None:
    found = find(recorded("scan-open.json"), None)
    assert len(found.targets) == 6
    assert not found.answered


def test_one_odd_line_does_not_lose_the_list() -> None:
    lines = (
        "/dev/sda -d sat # /dev/sda [SAT], ATA device",
        "/dev/sdb -d sntjmicron # /dev/sdb, a type that pySMART 1.4.3 refuses",
        "what is this",
        "# /dev/sdc -d sat # /dev/sdc, ATA device open failed: Permission denied",
        "/dev/bus/0 -d sat+megaraid,60 # /dev/bus/0 [megaraid_disk_60] [SAT], ATA device",
        "",
    )
    text = "\n".join(lines)
    assert [(target.node, target.device_type) for target in parse(text)] == [
        ("/dev/sda", "sat"),
        ("/dev/sdb", "sntjmicron"),
        ("/dev/sdc", "sat"),
        ("/dev/bus/0", "sat+megaraid,60"),
    ]


def test_the_text_adds_what_the_json_lacks() -> None:
    text = scan_of(("/dev/sda", "sat"), lines=("/dev/sdb -d scsi # /dev/sdb, SCSI device",))
    assert parse(text) == (
        DriveTarget(node="/dev/sda", device_type="sat"),
        DriveTarget(node="/dev/sdb", device_type="scsi"),
    )


def test_drives_behind_a_controller_share_a_node_and_stay_apart() -> None:
    text = scan_of(("/dev/bus/0", "megaraid,4"), ("/dev/bus/0", "megaraid,5"))
    found = find(text, blocks_of())
    assert named(found) == [("/dev/bus/0", "megaraid,4"), ("/dev/bus/0", "megaraid,5")]
    assert len({target.lane for target in found.targets}) == 2


def test_a_drive_on_two_paths_is_asked_once() -> None:
    shared = {"type": "disk", "wwn": "0x5000c500b0000000", "serial": "S"}
    blocks = blocks_of({"name": "sda", **shared}, {"name": "sdb", **shared})
    text = scan_of(("/dev/sda", "scsi"), ("/dev/sdb", "scsi"))
    assert named(find(text, blocks)) == [("/dev/sda", "scsi")]


@pytest.mark.parametrize(
    ("states", "asked"),
    [
        (("offline", "running"), "/dev/sdb"),
        (("running", "offline"), "/dev/sda"),
        (("offline", "transport-offline"), "/dev/sda"),  # it is there, and does not answer
    ],
)
def test_a_drive_is_asked_on_the_path_that_stands(states: tuple[str, str], asked: str) -> None:
    shared = {"type": "disk", "wwn": "0x5000c500b0000000", "serial": "S"}
    blocks = blocks_of(
        {"name": "sda", "state": states[0], **shared}, {"name": "sdb", "state": states[1], **shared}
    )
    text = scan_of(("/dev/sda", "scsi"), ("/dev/sdb", "scsi"))
    assert named(find(text, blocks)) == [(asked, "scsi")]


def test_a_disk_that_is_spoken_to_in_a_special_way_is_that_disk() -> None:
    """`sat,12` says how, `usbjmicron,1` which of two: smartctl(8), option -d."""
    dock = {"name": "sdb", "type": "disk", "model": "Dock", "serial": "D1", "tran": "usb"}
    blocks = blocks_of(dock)
    found = find(scan_of(), blocks, ToldDrive(node="/dev/sdb", device_type="sat,12", bay="desk"))
    (target,) = found.targets
    assert (target.device_type, target.bay) == ("sat,12", "desk")
    assert target.known == blocks.identity_of("sdb")
    bays = [ToldDrive(node="/dev/sdb", device_type=f"usbjmicron,{n}") for n in (0, 1)]
    assert {("/dev/sdb", "usbjmicron,0"), ("/dev/sdb", "usbjmicron,1")} <= set(
        named(find(scan_of(), blocks, *bays))
    )


def test_drives_that_tell_one_serial_number_are_both_asked() -> None:
    fake = {"type": "disk", "model": "Dock", "serial": "0123456789ABCDEF", "tran": "usb"}
    blocks = blocks_of({"name": "sda", **fake}, {"name": "sdb", **fake})
    found = find(scan_of(("/dev/sda", "sat"), ("/dev/sdb", "sat")), blocks)
    assert named(found) == [("/dev/sda", "sat"), ("/dev/sdb", "sat")]
    assert {target.shared for target in found.targets} == {"Dock_0123456789ABCDEF"}


def test_nvme_controllers_are_matched_by_serial_and_not_by_number() -> None:
    blocks = blocks_of(
        {"name": "nvme0n1", "type": "disk", "model": "Brisling", "serial": "B"},
        {"name": "nvme0n2", "type": "disk", "model": "Brisling", "serial": "B"},
        {"name": "nvme1n1", "type": "disk", "model": "Brisling", "serial": "A"},
    )
    host = RecordedHost(
        programs={COMMAND: (0, scan_of(("/dev/nvme0", "nvme"), ("/dev/nvme1", "nvme")), "")},
        files={
            "/sys/class/nvme/nvme0/serial": "A\n",
            "/sys/class/nvme/nvme1/serial": "B                   \n",
        },
    )
    found = discover(host, blocks=blocks)
    assert [(t.node, t.known and t.known.drive) for t in found.targets] == [
        ("/dev/nvme0", "Brisling_A"),
        ("/dev/nvme1", "Brisling_B"),
    ]


def test_an_nvme_controller_without_serial_is_matched_by_name() -> None:
    host = RecordedHost(
        programs={COMMAND: (0, scan_of(("/dev/nvme0", "nvme")), "")},
        folders={"/sys/class/nvme": ["nvme0"]},
    )
    blocks = blocks_of({"name": "nvme0n1", "type": "disk", "model": "Brisling", "serial": "B"})
    assert [target.node for target in discover(host, blocks=blocks).targets] == ["/dev/nvme0"]


def test_an_entry_that_names_nothing_is_about_no_drive() -> None:
    found = find(recorded("scan-open.json"), BOOT, ToldDrive(bay="nowhere"))
    assert {target.bay for target in found.targets} == {None}


def test_what_is_no_drive_is_left_out_unless_a_pool_rests_on_it() -> None:
    nodes: tuple[dict[str, object], ...] = (
        {"name": "zram0", "type": "disk", "size": 4},
        {"name": "sr0", "type": "rom", "size": 4},
        {"name": "fd0", "type": "disk", "size": 4},
        {"name": "md0", "type": "raid1", "size": 4},
        {"name": "loop3", "type": "loop", "size": 4},
        {"name": "sdx", "type": "disk", "size": 4, "rm": True, "tran": "usb"},
        {"name": "sdy", "type": "disk", "size": 0},
        {"name": "sdz", "type": "disk", "size": 4, "tran": "usb"},
    )
    assert named(find(scan_of(), blocks_of(*nodes))) == [("/dev/sdz", "auto")]
    found = find(scan_of(), blocks_of(*nodes), also=("loop3",))
    assert named(found) == [("/dev/loop3", "auto"), ("/dev/sdz", "auto")]


def test_what_the_owner_tells_is_used() -> None:
    told = (
        ToldDrive(serial="QLATA0001", bay="tray 2"),
        ToldDrive(node="/dev/sdd", device_type="sat,12", bay="tray 3"),
        ToldDrive(serial="QLATA0003", watch=False),
        ToldDrive(node="/dev/bus/0", device_type="megaraid,7", bay="tray 9"),
        ToldDrive(node="/dev/sdq", bay="tray 8"),
    )
    found = find(recorded("scan-open.json"), BOOT, *told)
    by_node = {(t.node, t.device_type): t.bay for t in found.targets}
    assert by_node["/dev/sdc", "sat"] == "tray 2"
    assert by_node["/dev/sdd", "sat,12"] == "tray 3"
    assert by_node["/dev/bus/0", "megaraid,7"] == "tray 9"
    assert by_node["/dev/sdq", "auto"] == "tray 8"  # named, so it is asked though it is not seen
    assert "/dev/sde" not in {t.node for t in found.targets}
    assert [t.node for t in found.left_out] == ["/dev/sde"]


def test_a_bay_is_found_by_the_path_of_its_slot() -> None:
    host = RecordedHost(
        programs={COMMAND: (0, recorded("scan-open.json"), "")},
        links={"/dev/disk/by-path/pci-0000:00:04.0-ata-1": "../../sdb"},
        files={"/dev/sdb": ""},
    )
    told = ToldDrive(node="/dev/disk/by-path/pci-0000:00:04.0-ata-1", bay="top left")
    found = discover(host, blocks=BOOT, told=[told])
    assert {t.node: t.bay for t in found.targets if t.bay} == {"/dev/sdb": "top left"}
    assert len(found.targets) == 7


def test_the_owners_name_of_a_bay_wins_over_the_enclosures() -> None:
    host = RecordedHost(programs={COMMAND: (0, scan_of(), "")})
    found = discover(
        host,
        blocks=BOOT,
        told=[ToldDrive(serial="QLATA0000", bay="mine")],
        bays={"sdb": "Slot 1", "sdc": "Slot 2"},
    )
    assert {t.node: t.bay for t in found.targets if t.bay} == {
        "/dev/sdb": "mine",
        "/dev/sdc": "Slot 2",
    }


@pytest.mark.parametrize(
    "text",
    [
        "x",
        "{",
        '{"devices": []}',
        '{"smartctl": {}, "devices": 1}',
        '{"smartctl": {}, "devices": [1]}',
        '{"smartctl": {}, "devices": [{"name": "/dev/sda"}]}',
        '{"smartctl": {"output": 1}, "devices": 1}',
    ],
)
def test_what_is_no_scan_is_refused(text: str) -> None:
    with pytest.raises(CannotParse):
        parse(text)


@given(st.text())
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        parse(text)
    except CannotParse:
        return


@pytest.mark.skipif(not LISTINGS.is_dir(), reason=f"no recorded listings in {LISTINGS}")
def test_recorded_listings_lose_no_drive() -> None:
    checked = 0
    for path in sorted(LISTINGS.glob("linux*/_--scan-open")):
        text = Path(path).read_text()
        lines = [line for line in text.splitlines() if line.startswith("/")]
        assert len(parse(text)) == len(lines)
        checked += 1
    assert checked >= 3
