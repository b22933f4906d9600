"""Messages of single devices and of what they hang on: NVMe, the block layer, adapters, buses.

Wording: drivers/nvme/host (core.c, pci.c), block/blk-core.c and blk-mq.c, fs/buffer.c,
drivers/scsi (mpt3sas, megaraid_sas, aacraid, hpsa, smartpqi, 3w-9xxx, libsas), drivers/pci/pcie,
drivers/usb of Linux 4.x to 6.x. SATA ports and SCSI sense data have modules of their own.
"""

from __future__ import annotations

from watcher.facts.kernel_event import Category
from watcher.readers.kernel_lines.table import Row

_MEDIUM, _GONE, _LINK = Category.MEDIUM, Category.GONE, Category.LINK
_CONTROLLER, _NOISE = Category.CONTROLLER, Category.NOISE

NVME = (
    # Status Code Type 2 is "Media and Data Integrity Errors" (NVMe base specification, status
    # code values): 80h write fault, 81h unrecovered read error, 82h-84h end-to-end checks.
    Row("unwritable-sector", _MEDIUM, "(sct 0x2", r"(?P<dev>nvme\w+): .*\(sct 0x2 / sc 0x80\)"),
    Row("unreadable-sector", _MEDIUM, "(sct 0x2", r"(?P<dev>nvme\w+): .*\(sct 0x2 / sc 0x81\)"),
    Row("data-changed", _MEDIUM, "(sct 0x2", r"(?P<dev>nvme\w+): .*\(sct 0x2 / sc 0x8[234]\)"),
    Row("device-aborted", _CONTROLLER, "(sct 0x", r"(?P<dev>nvme\w+): .*\(sct 0x3 / sc 0x"),
    Row("link-data-error", _LINK, "(sct 0x0", r"(?P<dev>nvme\w+): .*\(sct 0x0 / sc 0x4\)"),
    Row("device-aborted", _CONTROLLER, "(sct 0x0", r"(?P<dev>nvme\w+): .*\(sct 0x0 / sc 0x[678]\)"),
    Row("device-not-ready", _CONTROLLER, "(sct 0x0", r"(?P<dev>nvme\w+): .*\(sct 0x0 / sc 0x82\)"),
    Row("command-not-supported", _NOISE, "(sct 0x", r"(?P<dev>nvme\w+): "),
    Row("command-timeout", _CONTROLLER, "completion polled", r"nvme (?P<dev>nvme\d+): .*timeout"),
    Row(
        "command-timeout",
        _CONTROLLER,
        "timeout",
        r"nvme (?P<dev>nvme\d+|[\da-f:.]+): .*I/O .*timeout",
    ),
    Row(
        "command-timeout",
        _CONTROLLER,
        "Abort status",
        r"nvme (?P<dev>nvme\d+): Abort status",
        weak=True,
    ),
    Row("controller-down", _CONTROLLER, "controller is down", r"nvme (?P<dev>nvme\d+|[\da-f:.]+):"),
    Row("controller-down", _CONTROLLER, "frozen state error", r"nvme (?P<dev>nvme\d+|[\da-f:.]+):"),
    Row(
        "controller-down",
        _CONTROLLER,
        "evice not ready; aborting",
        r"nvme (?P<dev>nvme\d+|[\da-f:.]+):",
    ),
    Row(
        "controller-down",
        _CONTROLLER,
        "nvme",
        r"nvme (?P<dev>nvme\d+): (?:resetting controller|Identify Controller failed"
        r"|Could not set queue count|could not (?:add|set)|Device shutdown incomplete|I/O queue)",
    ),
    Row(
        "removed-after-failure",
        _GONE,
        "Removing after probe failure",
        r"nvme (?P<dev>nvme\d+|[\da-f:.]+):",
    ),
    Row(
        "removed-after-failure",
        _GONE,
        "isabling device after reset",
        r"nvme (?P<dev>nvme\d+|[\da-f:.]+):",
    ),
    Row("removed-after-failure", _GONE, "emoving after", r"nvme (?P<dev>nvme\d+|[\da-f:.]+):"),
    Row(
        "controller-down", _CONTROLLER, "Unable to change power state", r"nvme (?P<dev>[\da-f:.]+)"
    ),
    Row(
        "controller-down",
        _CONTROLLER,
        "can't change power state",
        r"(?:nvme|ahci|mpt\w+|megaraid_sas) (?P<dev>[\da-f:.]+)",
    ),
)

BLOCK = (
    Row("portable-trouble", _NOISE, "(floppy)", r"error, dev (?P<dev>\w+)"),
    Row(
        "unreadable-sector",
        _MEDIUM,
        "critical medium error",
        r"critical medium error, dev (?P<dev>[\w-]+)(?!.*\(WRITE\))",
    ),
    Row(
        "unwritable-sector",
        _MEDIUM,
        "critical medium error",
        r"critical medium error, dev (?P<dev>[\w-]+)",
    ),
    Row(
        "command-timeout", _CONTROLLER, "timeout error, dev", r"timeout error, dev (?P<dev>[\w-]+)"
    ),
    Row("device-gone", _GONE, "device offline error, dev", r"offline error, dev (?P<dev>[\w-]+)"),
    Row(
        "link-data-error",
        _LINK,
        "transport error, dev",
        r"transport error, dev (?P<dev>[\w-]+)",
        effect=True,
    ),
    Row(
        "device-refused",
        _CONTROLLER,
        "critical target error",
        r"target error, dev (?P<dev>[\w-]+)",
        effect=True,
        weak=True,
    ),
    Row("data-changed", _MEDIUM, "protection error, dev", r"protection error, dev (?P<dev>[\w-]+)"),
    Row("command-not-supported", _NOISE, "operation not supported error", r"dev (?P<dev>[\w-]+)"),
    Row(
        "io-failed",
        _CONTROLLER,
        " error, dev",
        r" error, dev (?P<dev>[\w-]+)",
        effect=True,
        weak=True,
    ),
    Row(
        "io-failed",
        _CONTROLLER,
        "Buffer I/O error on dev",
        r"on dev(?:ice)? (?P<dev>[\w-]+)",
        effect=True,
        weak=True,
    ),
    Row(
        "io-failed",
        _CONTROLLER,
        "lost page write due to I/O",
        r"error on (?P<dev>[\w-]+)",
        effect=True,
        weak=True,
    ),
    Row(
        "device-gone",
        _GONE,
        "limit=0",
        r"(?P<dev>[a-z][\w-]*): rw=\d+, (?:want|sector)=.*limit=0\b",
    ),
    Row(
        "fs-damaged",
        Category.FILESYSTEM,
        "limit=",
        r"(?P<dev>[a-z][\w-]*): rw=\d+, (?:want|sector)=.*limit=\d+",
    ),
    Row(
        "device-gone",
        _GONE,
        "detected capacity change",
        r"^(?P<dev>(?:sd|nvme|vd)\w+): detected capacity change from [1-9]\d* to 0",
    ),
    Row(
        "task-stuck",
        _CONTROLLER,
        "blocked for more than",
        r"task (?P<task>\S+) blocked for more than \d+ seconds",
        weak=True,
    ),
)

IDE = (  # drivers/ide, until Linux 5.13
    Row("optical-trouble", _NOISE, "cdrom", r"(?P<dev>hd[a-l]): .*cdrom"),
    Row("link-crc", _LINK, "BadCRC", r"(?P<dev>hd[a-l]): "),
    Row("unreadable-sector", _MEDIUM, "UncorrectableError", r"(?P<dev>hd[a-l]): "),
    Row("unreadable-sector", _MEDIUM, "SectorIdNotFound", r"(?P<dev>hd[a-l]): "),
    Row("drive-fault", _CONTROLLER, "DeviceFault", r"(?P<dev>hd[a-l]): "),
    Row(
        "command-timeout",
        _CONTROLLER,
        "hd",
        r"(?P<dev>hd[a-l]): (?:.*(?:lost interrupt|timeout)|no DRQ|drive not ready)",
    ),
    Row("command-refused", _CONTROLLER, "DriveStatusError", r"(?P<dev>hd[a-l]): ", weak=True),
    Row("port-reset", _CONTROLLER, "ide", r"(?P<dev>ide\d): reset", weak=True),
)

ADAPTERS = (
    # first, for the same line says FATAL of the adapter's log
    Row("adapter-pool-degraded", Category.POOL, "is now ", r"VD \S+ is now .*(?:DEGRADED|OFFLINE)"),
    Row(
        "adapter-fault", _CONTROLLER, "non-operational", r"(?P<dev>mpt\dsas\w*): .*non-operational"
    ),
    Row("adapter-fault", _CONTROLLER, "fault_state", r"(?P<dev>mpt\dsas\w*): "),
    Row("adapter-fault", _CONTROLLER, "diag reset", r"(?P<dev>mpt\dsas\w*): .*diag reset"),
    Row(
        "adapter-fault",
        _CONTROLLER,
        "mpt",
        r"(?P<dev>mpt\dsas\w*): .*(?:host reset|Blocking Host|hard reset|config_request.*timeout"
        r"|timeout|Command Timeout|issue_.*(?:fail|timeout))",
    ),
    Row("device-gone", _GONE, "removing handle", r"(?P<dev>mpt\dsas\w*): "),
    Row(
        "device-gone",
        _GONE,
        "mpt",
        r"(?P<dev>mpt\dsas\w*): .*(?:device is not present|Device Missing)",
    ),
    Row("adapter-note", _NOISE, "log_info(0x3003", r"(?P<dev>mpt\dsas\w*)"),
    Row("adapter-note", _CONTROLLER, "log_info(", r"(?P<dev>mpt\dsas\w*): ", weak=True),
    Row("adapter-note", _NOISE, "mpt", r"(?P<dev>mpt\dsas\w*): "),
    Row(
        "adapter-fault",
        _CONTROLLER,
        "megaraid_sas",
        r"megaraid_sas (?P<dev>[\da-f:.]+): .*(?:FAULT|fatal|CRIT|FATAL|[Rr]eset|waiting for"
        r"|pending)",
    ),
    Row(
        "adapter-fault",
        _CONTROLLER,
        "mega",
        r"mega(?:sas|raid): .*(?:FAULT|RESET|reset|waiting for|hang)",
    ),
    Row("adapter-pool-degraded", Category.POOL, "egraded unit", r"(?P<dev>3w-\w+): "),
    Row(
        "sector-repaired",
        _MEDIUM,
        "3w-",
        r"3w-\w+: .*(?:ector repair|ECC-ERROR|ource drive error|rebuild.*error)",
    ),
    Row(
        "command-timeout", _CONTROLLER, "3w-", r"3w-\w+: .*(?:timed out|timeout|Drive error|reset)"
    ),
    Row(
        "adapter-fault",
        _CONTROLLER,
        "aacraid",
        r"aacraid: .*(?:abort|reset|hang|timed out|not responding)",
    ),
    Row("adapter-fault", _CONTROLLER, "AAC:", r"AAC: .*(?:timed out|hang|reset|not responding)"),
    Row(
        "adapter-fault",
        _CONTROLLER,
        "hpsa",
        r"hpsa (?P<dev>[\da-f:.]+): .*(?:lockup|reset|timed out|abort|not responding)",
    ),
    Row(
        "adapter-fault",
        _CONTROLLER,
        "smartpqi",
        r"smartpqi (?P<dev>[\da-f:.]+): .*(?:offline|reset|timed out|timeout|lockup)",
    ),
    Row("adapter-fault", _CONTROLLER, "arcmsr", r"arcmsr\d*: .*(?:abort|reset|timeout|isr)"),
    Row("adapter-fault", _CONTROLLER, "controller unavailable", r"ahci (?P<dev>[\da-f:.]+): AHCI"),
    Row("adapter-fault", _CONTROLLER, "controller reset failed", r"ahci (?P<dev>[\da-f:.]+): "),
    Row(
        "adapter-fault",
        _CONTROLLER,
        "sas_scsi_recover_host",
        r"Enter sas_scsi_recover_host busy: [1-9]\d* failed: [1-9]",
    ),
    Row(
        "command-timeout",
        _CONTROLLER,
        "sas: ",
        r"sas: (?P<dev>ata\d+): .*(?:cmd error handler|timeout)",
    ),
    Row("command-timeout", _CONTROLLER, "sas: ", r"sas: .*(?:timeout|aborting)", weak=True),
    Row("adapter-fault", _CONTROLLER, "mvsas", r"mvsas .*(?:error|reset|timeout)", weak=True),
    Row(
        "adapter-fault",
        _CONTROLLER,
        "IO_PAGE_FAULT",
        r"AMD-Vi: .*|(?:ahci|nvme|mpt\dsas|megaraid_sas) (?P<dev>[\da-f:.]+): .*IO_PAGE_FAULT",
        weak=True,
    ),
    Row("adapter-fault", _CONTROLLER, "DMAR:", r"DMAR: .*fault", weak=True),
)

BUSES = (
    Row(
        "bus-corrected",
        _NOISE,
        "AER: ",
        r"(?P<dev>[\da-f]{4}:[\da-f:.]+): AER: .*(?:Corrected|Multiple Corrected)",
    ),
    Row("bus-corrected", _NOISE, "everity=Corrected", r"(?P<dev>[\da-f]{4}:[\da-f:.]+): "),
    Row(
        "bus-error",
        _LINK,
        "everity=Uncorrected",
        r"(?:nvme|ahci|mpt\dsas|megaraid_sas|pcieport) (?P<dev>[\da-f:.]+): .*(?:Physical"
        r"|Data Link)",
    ),
    Row(
        "bus-error",
        _CONTROLLER,
        "everity=Uncorrected",
        r"(?:nvme|ahci|mpt\dsas|megaraid_sas|pcieport) (?P<dev>[\da-f:.]+): ",
    ),
    Row(
        "bus-error",
        _CONTROLLER,
        "AER: ",
        r"pcieport (?P<dev>[\da-f:.]+): AER: .*(?:Uncorrect|Fatal)",
        weak=True,
    ),
    Row("bus-error", _CONTROLLER, "containment event", r"pcieport (?P<dev>[\da-f:.]+): "),
    Row(
        "card-gone",
        _GONE,
        "pciehp",
        r"pciehp: Slot\((?P<dev>[^)]+)\): (?:Link Down|Card not present)",
    ),
    Row("interrupt-lost", _CONTROLLER, "nobody cared", r"irq \d+: nobody cared", weak=True),
    Row("portable-left", _NOISE, "USB disconnect", r"usb (?P<dev>[\d.-]+): "),
    Row(
        "portable-trouble",
        _NOISE,
        "usb ",
        r"usb (?P<dev>[\d.-]+): (?:reset|device (?:descriptor|not accepting|firmware)|can't"
        r"|cannot|unable)",
    ),
    Row("portable-trouble", _NOISE, "unable to enumerate USB", r"usb\d*[ -]\S*"),
    Row(
        "portable-trouble",
        _NOISE,
        "mmc",
        r"(?P<dev>mmc\w+): .*(?:error|timeout|removed|failed|CRC|Timeout)",
    ),
    Row("portable-trouble", _NOISE, "floppy", r"(?P<dev>floppy\d*)\W"),
)

ROWS = (*NVME, *IDE, *BLOCK, *ADAPTERS, *BUSES)
