"""Error reports of SATA ports. Bits: include/linux/libata.h; registers: ATA command set."""

from __future__ import annotations

import pytest

from watcher.facts.kernel_event import Category
from watcher.readers.kernel_lines.ata import Report, is_result_line, read_ata
from watcher.readers.kernel_lines.table import Meaning

BAD_SECTOR = (
    "ata3.00: exception Emask 0x0 SAct 0x40 SErr 0x0 action 0x0",
    "ata3.00: irq_stat 0x40000008",
    "ata3.00: failed command: READ FPDMA QUEUED",
    "ata3.00: cmd 60/08:30:00:10:00/00:00:00:00:00/40 tag 6 ncq dma 4096 in",
    "         res 41/40:08:00:10:00/00:00:00:00:00/00 Emask 0x409 (media error) <F>",
    "ata3.00: status: { DRDY ERR }",
    "ata3.00: error: { UNC }",
)


def verdict(*lines: str) -> tuple[Category, str]:
    report = Report(device="ata3.00")
    for line in lines:
        parsed = read_ata(line)
        report.add(parsed.body if parsed else line)
    meaning = report.meaning()
    return meaning.category, meaning.what


def test_a_bad_sector_is_one_of_the_medium() -> None:
    assert verdict(*BAD_SECTOR) == (Category.MEDIUM, "unreadable-sector")


@pytest.mark.parametrize("kept", [(4,), (6,), (0, 4), (6, 2), (6, 5, 4, 3, 2, 1, 0)])
def test_a_bad_sector_is_seen_in_a_cut_or_shuffled_report(kept: tuple[int, ...]) -> None:
    assert verdict(*(BAD_SECTOR[i] for i in kept)) == (Category.MEDIUM, "unreadable-sector")


@pytest.mark.parametrize(
    ("lines", "category", "what"),
    [
        # error register bit 7: interface CRC
        (("ata3.00: error: { ICRC ABRT }",), Category.LINK, "link-crc"),
        (
            ("ata3.00: cmd 25/00\n res 51/84:00:00:00:00/00 Emask 0x10 (ATA bus error)",),
            Category.LINK,
            "link-crc",
        ),
        (
            (
                "ata3.00: exception Emask 0x10 SAct 0x8 SErr 0x400100 action 0x6 frozen",
                "ata3.00: irq_stat 0x08000000, interface fatal error",
                "ata3: SError: { UnrecovData Handshk }",
                "ata3.00: failed command: WRITE FPDMA QUEUED",
            ),
            Category.LINK,
            "link-data-error",
        ),
        (
            (
                "ata3.00: exception Emask 0x0 SAct 0x8000000 SErr 0x0 action 0x6 frozen",
                "ata3.00: failed command: READ FPDMA QUEUED",
                "ata3.00: cmd 60/00\n res 40/00:00:00:00:00/00 Emask 0x4 (timeout)",
            ),
            Category.CONTROLLER,
            "command-timeout",
        ),
        (
            (
                "ata3.00: failed command: READ DMA",
                "ata3.00: cmd\n res 41/04:00:00:00:00/00 Emask 0x1 (device error)",
            ),
            Category.CONTROLLER,
            "command-refused",
        ),
        (
            (
                "ata3.00: failed command: DATA SET MANAGEMENT",
                "ata3.00: cmd 06\n res 51/04:00:00:00:00/00 Emask 0x1 (device error)",
            ),
            Category.NOISE,
            "command-not-supported",
        ),
        # status register bit 5: device fault
        (("ata3.00: status: { DRDY DF ERR }",), Category.CONTROLLER, "drive-fault"),
        (
            ("ata3.00: exception Emask 0x32 SAct 0x0 SErr 0x0 action 0xe frozen",),
            Category.CONTROLLER,
            "host-bus-error",
        ),
        (
            ("ata3.00: cmd a0/01:00:00:00:fc/00 tag 15 dma 131072 in", "ata3.00: status: { DRDY }"),
            Category.NOISE,
            "optical-trouble",
        ),
        (
            (
                "ata3.00: irq_stat 0x00400040, connection status changed",
                "ata3: SError: { PHYRdyChg CommWake DevExch }",
            ),
            Category.LINK,
            "link-changed",
        ),
        (
            (
                "ata3.00: exception Emask 0x0 SAct 0x0 SErr 0x10000 action 0x6",
                "ata3.00: waking up from sleep",
            ),
            Category.NOISE,
            "after-resume",
        ),
    ],
)
def test_a_report_is_judged_by_all_of_its_lines(
    lines: tuple[str, ...], category: Category, what: str
) -> None:
    assert verdict(*lines) == (category, what)


def test_a_clean_status_does_not_make_an_error_register_count() -> None:
    assert verdict("ata3.00: cmd 60\n res 50/40:00:00:00:00/00 Emask 0x1 (device error)") == (
        Category.CONTROLLER,
        "command-refused",
    )


@pytest.mark.parametrize(
    ("line", "category", "what", "device"),
    [
        ("ata9: hard resetting link", Category.CONTROLLER, "port-reset", "ata9"),
        ("ata9: COMRESET failed (errno=-16)", Category.CONTROLLER, "drive-not-answering", "ata9"),
        ("ata9: limiting SATA link speed to 1.5 Gbps", Category.LINK, "link-slowed", "ata9"),
        ("ata9.00: disabled", Category.GONE, "port-gave-up", "ata9.00"),
        ("ata9.00: disable device", Category.GONE, "port-gave-up", "ata9.00"),
        ("ata9.00: qc timeout (cmd 0xec)", Category.CONTROLLER, "drive-not-answering", "ata9.00"),
        ("ata9: EH complete", Category.NOISE, "port-routine", "ata9"),
    ],
)
def test_a_step_of_a_port_means(line: str, category: Category, what: str, device: str) -> None:
    parsed = read_ata(line)
    assert parsed is not None
    assert parsed.step == Meaning(
        what=what, category=category, device=device, weak=parsed.step.weak if parsed.step else False
    )


def test_the_second_half_of_a_command_is_known_without_its_port() -> None:
    assert is_result_line(BAD_SECTOR[4])
    assert not is_result_line("the res publica")
    assert read_ata("md: data-check of RAID array md0") is None
