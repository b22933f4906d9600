"""Why smartctl got nothing out of a drive, in the owner's words; each refusal is its own answer.

Program: ``smartctl`` 7.0 to 7.5; its exit status and words as described in smartctl.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from watcher.facts.drive import SWITCHED_OFF, DriveUnread, Protocol, Unread
from watcher.readers.drive_report import Report
from watcher.readers.drive_target import DriveTarget, unread_of
from watcher.readers.host import Ended, Ran
from watcher.readers.smartctl_json import flag, section

_NOT_OPENED = 0x02
_ASLEEP = 0x03


_SAID = (
    # in smartctl's words, why, ours
    ("STANDBY mode", Unread.ASLEEP, "{node} sleeps and was left asleep."),
    ("SLEEP mode", Unread.ASLEEP, "{node} sleeps and was left asleep."),
    (
        "Permission denied",
        Unread.FORBIDDEN,
        "We may not ask {node}: run as root, or let the service do it.",
    ),
    (
        "Operation not permitted",
        Unread.FORBIDDEN,
        "We may not ask {node}: run as root, or let the service do it.",
    ),
    (
        "No such device",
        Unread.VANISHED,
        "{node} is not there any more: check its cable, bay and power.",
    ),
    (
        "No such file or directory",
        Unread.VANISHED,
        "{node} is not there any more: check its cable, bay and power.",
    ),
    (
        "Unable to detect device type",
        Unread.NO_SMART,
        (
            "{node} has no SMART that smartctl knows, as is usual for a virtual disk; its health "
            "cannot be seen from here."
        ),
    ),
    (
        "Unknown USB bridge",
        Unread.NO_SMART,
        (
            "smartctl does not know the USB bridge of {node}: name its device type in the "
            "configuration (sat and sntasmedia are often right)."
        ),
    ),
    (
        "please try adding '-d ",  # "… controller, please try adding '-d megaraid,N'"
        Unread.NO_SMART,
        (
            "{node} is a disk that a RAID controller makes: the drives behind it are not seen. "
            "Name each of them in the configuration with the type that smartctl proposes: {last}"
        ),
    ),
    *(
        (
            words,
            Unread.NO_SMART,
            (
                "What {node} hangs on passes no SMART on as {kind} (smartctl says: {last}): try "
                "another device type in the configuration, or connect the drive directly."
            ),
        )
        for words in (
            "unsupported scsi opcode",
            "unsupported field in scsi command",
            "badly formed scsi parameters",
        )
    ),
    (
        "megaraid_sas_ioctl_node",  # "cannot open /dev/megaraid_sas_ioctl_node or /dev/megadev0"
        Unread.FORBIDDEN,
        (
            "The way to the controller of {node} as {kind} cannot be opened (smartctl says: "
            "{last}): run as root, and see that its driver is loaded."
        ),
    ),
    (
        "Inappropriate ioctl for device",
        Unread.NO_SMART,
        "{node} is no drive that can be asked for SMART.",
    ),
    (
        "Unknown device type",
        Unread.GARBLED,
        "smartctl does not know the device type {kind} of {node}: correct it in the configuration.",
    ),
)

TOO_OLD = ("UNRECOGNIZED OPTION", "INVALID ARGUMENT TO -n", "INVALID ARGUMENT TO --json")
"""What a version before 7.0 says to our arguments."""


_ADVICE = "A mandatory SMART command failed: exiting."
"""How the line begins that follows the one with the reason."""


def refusal(
    target: DriveTarget, exit_status: int, said: str, observed_at: datetime
) -> DriveUnread | None:
    """Tell why smartctl got nothing out of a drive; None when it got something."""
    if not exit_status & _ASLEEP:
        return None
    lines = [line for line in said.splitlines() if line.strip() and not line.startswith(_ADVICE)]
    last = lines[-1][:200] if lines else "nothing"
    names = {"node": target.node, "kind": target.device_type, "last": last}
    for words, why, ours in _SAID:
        if words in said:
            return unread_of(target, why, ours.format(**names), observed_at)
    if exit_status == _ASLEEP:
        detail = f"{target.node} sleeps and was left asleep."
        return unread_of(target, Unread.ASLEEP, detail, observed_at)
    if exit_status & _NOT_OPENED:
        detail = (
            f"{target.node} does not answer (smartctl says: {last}): "
            "check its cable, bay and power."
        )
        return unread_of(target, Unread.VANISHED, detail, observed_at)
    detail = f"smartctl refuses to ask {target.node} as {target.device_type}: {last}"
    return unread_of(target, Unread.GARBLED, detail, observed_at)


def no_smart(
    target: DriveTarget, document: Mapping[str, Any], report: Report, observed_at: datetime
) -> DriveUnread | None:
    """Tell that a drive has no SMART, or has it switched off; None when there is a verdict."""
    support = section(document, "smart_support")
    if section(document, "smart_status"):
        return None
    if flag(support, "available") is False:
        detail = (
            f"{target.node} tells that it has no SMART, as virtual disks and some bridges do; "
            "its health cannot be seen from here."
        )
    elif flag(support, "enabled") is False and report.protocol is Protocol.ATA:
        detail = (
            f"{SWITCHED_OFF} in {target.node}: "
            f"`smartctl -s on -d {target.device_type} {target.node}` switches it on."
        )
    else:
        return None
    identity = report.identity(target.node, target.device_type)
    return unread_of(
        target,
        Unread.NO_SMART,
        detail,
        observed_at,
        drive=identity.drive,
        model=identity.model,
        serial=identity.serial,
        capacity_bytes=identity.capacity_bytes,
    )


_REMEDIES = {
    Ended.TIMED_OUT: (
        Unread.HUNG,
        (
            "{node} gave no answer within {seconds:.0f} s: the drive, its cable or its controller "
            "hangs. Look into the kernel log."
        ),
    ),
    Ended.STUCK: (
        Unread.HUNG,
        (
            "An earlier question to {node} still hangs inside the kernel, so no new one was asked: "
            "check its cable and power; only a restart or a pulled drive frees it."
        ),
    ),
    Ended.KILLED: (
        Unread.GARBLED,
        (
            "smartctl was killed by signal {signal} while it asked {node}: look into the kernel "
            "log (memory, a crash)."
        ),
    ),
    Ended.TOO_LONG: (
        Unread.GARBLED,
        "smartctl wrote without end about {node}; its answer was not used.",
    ),
    Ended.MISSING: (
        Unread.TOOL_MISSING,
        "smartctl is not installed, so {node} cannot be asked: install the package smartmontools.",
    ),
    Ended.FORBIDDEN: (
        Unread.FORBIDDEN,
        (
            "smartctl may not be started, so {node} cannot be asked: run as root, or let the "
            "service do it."
        ),
    ),
}


def not_ended(target: DriveTarget, ran: Ran, observed_at: datetime) -> DriveUnread:
    """Give the answer for a run that did not end by itself."""
    why, sentence = _REMEDIES[ran.ended]
    detail = sentence.format(node=target.node, seconds=ran.seconds, signal=-ran.status)
    if ran.stderr.startswith("not in this recording"):
        detail = f"The recording holds no answer of {target.node}."
    return unread_of(target, why, detail, observed_at)
