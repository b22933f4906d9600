"""Messages of single devices, adapters and buses."""

from __future__ import annotations

import pytest

from watcher.facts.kernel_event import Category
from watcher.readers.kernel_lines.devices import ROWS
from watcher.readers.kernel_lines.table import first_match

M, C, L, G, N, P = (
    Category.MEDIUM,
    Category.CONTROLLER,
    Category.LINK,
    Category.GONE,
    Category.NOISE,
    Category.POOL,
)

MESSAGES = [
    # NVMe base specification, status code type 2h "Media and Data Integrity Errors": 80h Write
    # Fault, 81h Unrecovered Read Error, 82h End-to-end Guard Check Error (from memory); the
    # sentence is of drivers/nvme/host/core.c, the first one also in our own runs
    (
        "nvme0n1: I/O Cmd(0x2) @ LBA 79872, 1016 blocks, I/O Error (sct 0x2 / sc 0x81) ",
        M,
        "unreadable-sector",
        "nvme0n1",
    ),
    (
        "nvme0n1: Write(0x1) @ LBA 8, 8 blocks, Write Fault (sct 0x2 / sc 0x80) DNR",
        M,
        "unwritable-sector",
        "nvme0n1",
    ),
    (
        "nvme0n1: I/O Cmd(0x2) @ LBA 8, 8 blocks, I/O Error (sct 0x2 / sc 0x82) ",
        M,
        "data-changed",
        "nvme0n1",
    ),
    (
        "nvme3n1: Read(0x2) @ LBA 8, 8 blocks, Host Aborted Command (sct 0x3 / sc 0x71)",
        C,
        "device-aborted",
        "nvme3n1",
    ),
    (
        "nvme0: Admin Cmd(0x6), I/O Error (sct 0x0 / sc 0x2) MORE DNR",
        N,
        "command-not-supported",
        "nvme0",
    ),
    # drivers/nvme/host/pci.c
    ("nvme nvme1: I/O 384 (I/O Cmd) QID 2 timeout, aborting", C, "command-timeout", "nvme1"),
    (
        "nvme nvme0: I/O tag 12 (100c) opcode 0x2 (I/O Cmd) QID 3 timeout, reset controller",
        C,
        "command-timeout",
        "nvme0",
    ),
    (
        "nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0x10",
        C,
        "controller-down",
        "nvme0",
    ),
    ("nvme nvme2: Device not ready; aborting reset, CSTS=0x1", C, "controller-down", "nvme2"),
    ("nvme nvme0: Removing after probe failure status: -19", G, "removed-after-failure", "nvme0"),
    # block/blk-core.c (blk_errors), fs/buffer.c; also in our own runs
    (
        "critical medium error, dev sda, sector 9216 op 0x0:(READ) flags 0x4000 phys_seg 244",
        M,
        "unreadable-sector",
        "sda",
    ),
    (
        "blk_update_request: critical medium error, dev sda, sector 9216 op 0x1:(WRITE) flags 0",
        M,
        "unwritable-sector",
        "sda",
    ),
    ("timeout error, dev nvme0n1, sector 8 op 0x0:(READ)", C, "command-timeout", "nvme0n1"),
    ("device offline error, dev sdc, sector 8 op 0x0:(READ)", G, "device-gone", "sdc"),
    ("I/O error, dev sdb, sector 20392 op 0x0:(READ) flags 0x0", C, "io-failed", "sdb"),
    ("end_request: I/O error, dev sdb, sector 0", C, "io-failed", "sdb"),
    (
        "Buffer I/O error on dev md10, logical block 21744, async page read",
        C,
        "io-failed",
        "md10",
    ),
    ("Buffer I/O error on device sde, logical block 9217", C, "io-failed", "sde"),
    ("sdc: rw=432129, sector=16, nr_sectors = 1 limit=0", G, "device-gone", "sdc"),
    ("sda1: rw=0, want=500, limit=400", Category.FILESYSTEM, "fs-damaged", "sda1"),
    # drivers/scsi/mpt3sas, megaraid, 3w-9xxx, aacraid
    ("mpt3sas_cm0: SAS host is non-operational !!!!", C, "adapter-fault", "mpt3sas_cm0"),
    (
        "mpt3sas_cm0: log_info(0x31110d00): originator(PL), code(0x11), sub_code(0x0d00)",
        C,
        "adapter-note",
        "mpt3sas_cm0",
    ),
    (
        "mpt2sas_cm0: log_info(0x30030109): originator(IOP), code(0x03), sub_code(0x0109)",
        N,
        "adapter-note",
        "mpt2sas_cm0",
    ),
    (
        "mpt3sas_cm0: removing handle(0x000a), sas_addr(0x4433221100000000)",
        G,
        "device-gone",
        "mpt3sas_cm0",
    ),
    (
        "megaraid_sas 0000:03:00.0: Found FW in FAULT state, will reset adapter scsi0.",
        C,
        "adapter-fault",
        "0000:03:00.0",
    ),
    (
        "megaraid_sas 0000:03:00.0: 512 (7s/0x0001/CRIT) - VD 00/0 is now DEGRADED",
        P,  # it says CRIT of its own log, as it does of a fault of its own
        "adapter-pool-degraded",
        "",
    ),
    (
        "3w-9xxx: scsi0: AEN: ERROR (0x04:0x0002): Degraded unit:unit=0, port=1.",
        P,
        "adapter-pool-degraded",
        "3w-9xxx",
    ),
    # drivers/pci/pcie/aer.c
    (
        "pcieport 0000:00:1c.0: AER: Corrected error received: 0000:01:00.0",
        N,
        "bus-corrected",
        "0000:00:1c.0",
    ),
    (
        (
            "nvme 0000:01:00.0: PCIe Bus Error: severity=Uncorrected (Non-Fatal), "
            "type=Data Link Layer, (Receiver ID)"
        ),
        L,
        "bus-error",
        "0000:01:00.0",
    ),
    # drivers/usb/core/hub.c, drivers/ide
    ("usb 1-2: USB disconnect, device number 5", N, "portable-left", "1-2"),
    ("hda: dma_intr: error=0x84 { DriveStatusError BadCRC }", L, "link-crc", "hda"),
    ("hda: dma_intr: error=0x40 { UncorrectableError }, LBAsect=8", M, "unreadable-sector", "hda"),
]


@pytest.mark.parametrize(("message", "category", "what", "device"), MESSAGES)
def test_a_message_of_a_device_means(
    message: str, category: Category, what: str, device: str
) -> None:
    meaning = first_match(ROWS, message)
    assert meaning is not None
    assert (meaning.category, meaning.what, meaning.device) == (category, what, device)


def test_an_input_output_error_alone_is_only_an_effect() -> None:
    meaning = first_match(ROWS, "I/O error, dev sdb, sector 20392")
    assert meaning is not None
    assert meaning.effect
    assert meaning.weak
