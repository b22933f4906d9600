"""Every kind of kernel event in plain words: what it means, and what one would do."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Words:
    """What an event means and what one would do, a sentence or two each."""

    means: str
    do: str


NO_TEXT = Words("The kernel told something about storage.", "See the line itself.")

TEXTS: dict[str, Words] = {
    "adapter-fault": Words(
        "A disk controller reset itself or was reset.",
        "Check that it is cooled and well seated; update its firmware; all its drives are "
        "concerned.",
    ),
    "adapter-note": Words(
        "A disk controller notes something about a drive or a cable.",
        "Only many of them mean anything: then check the cabling.",
    ),
    "adapter-pool-degraded": Words(
        "A controller reports that one of its own arrays lost a member.",
        "Look at the array with the controller's own tool and replace the member.",
    ),
    "after-resume": Words(
        "Ports are set up anew when a computer or a drive wakes up.",
        "Nothing.",
    ),
    "array-broken": Words(
        "An array has lost more members than it can bear.",
        "Stop writing, do not re-create it; find out whether a member can come back.",
    ),
    "array-clean-start": Words(
        "An array started with all its members.",
        "Nothing.",
    ),
    "array-degraded": Words(
        "An array runs with fewer members than it was built with.",
        "See which member is missing and bring back full margin.",
    ),
    "array-not-started": Words(
        "An array was not started, to protect its data.",
        "Do not force it before you know which member has the latest data; make copies of the "
        "members first if the data matters.",
    ),
    "array-stopped": Words(
        "An array was stopped.",
        "Nothing, if somebody meant it.",
    ),
    "array-superblock-not-written": Words(
        "An array could not write its notes onto a member.",
        "See the member's own errors.",
    ),
    "array-unclean": Words(
        "An array was not shut down cleanly and checks itself.",
        "Nothing; let it finish.",
    ),
    "at-start": Words(
        "Ports are tried out when a computer starts.",
        "Nothing.",
    ),
    "balance": Words(
        "A filesystem moves data between its drives.",
        "Nothing; let it finish.",
    ),
    "bus-corrected": Words(
        "The slot of a device reported an error and corrected it.",
        "Nothing, unless there are very many.",
    ),
    "bus-error": Words(
        "The slot of a drive or an adapter reported an error that could not be corrected.",
        "Reseat the card or the drive; see whether the firmware of board or card has an update.",
    ),
    "cache-failed": Words(
        "A cache in front of a drive failed.",
        "See the cache drive; data not yet written back may be lost.",
    ),
    "card-gone": Words(
        "A card or an NVMe drive disappeared from its slot.",
        "If nobody pulled it, reseat it with the power off.",
    ),
    "command-not-supported": Words(
        "A drive was asked for something it cannot do.",
        "Nothing.",
    ),
    "command-refused": Words(
        "A drive refused to read or write, without saying that its medium is bad.",
        "See what the drive reports about itself; if it happens again, check its cable and plan "
        "a replacement.",
    ),
    "command-timeout": Words(
        "A drive or its controller gave no answer in time; the command was given up or repeated.",
        "Check power and cabling; if only one drive does it, see what it reports about itself.",
    ),
    "controller-down": Words(
        "An NVMe drive stopped answering, and the kernel resets it.",
        "See whether its firmware has an update and whether it gets hot; if it happens again, "
        "replace it.",
    ),
    "data-changed": Words(
        "Data came back different from what was written, and a check noticed.",
        "Run a scrub; check memory and cables as well as the drive, since any of them can change "
        "data.",
    ),
    "device-aborted": Words(
        "A drive or its controller broke off a command.",
        "See what the drive reports about itself, and its cable and power.",
    ),
    "device-gone": Words(
        "A device does not answer any more: it was removed or lost its power or its link.",
        "If nobody pulled it, check power and cable; its pool has lost margin.",
    ),
    "device-not-ready": Words(
        "A drive is there but not ready to work.",
        "Check its power; if it stays so, treat it as lost.",
    ),
    "device-note": Words(
        "A drive tells something ordinary.",
        "Nothing.",
    ),
    "device-refused": Words(
        "A drive refused a command for a reason of its own.",
        "See the lines before it.",
    ),
    "device-reset": Words(
        "A drive or its controller was reset because it did not answer.",
        "Check power and cabling; if only one drive does it, suspect the drive.",
    ),
    "device-was-reset": Words(
        "A drive reports that it was switched on or reset.",
        "If nobody did that, check its power: connectors, splitters, the supply.",
    ),
    "drive-fault": Words(
        "The drive reports a fault inside itself, in its electronics or mechanics.",
        "Check power and cable once; if it comes back, replace the drive.",
    ),
    "drive-not-answering": Words(
        "A drive did not answer when the port called it.",
        "Check its power and its cable; if it stays silent on another port too, the drive is dead.",
    ),
    "drive-predicts-failure": Words(
        "The drive itself says that it is about to fail.",
        "Check that a backup is fresh and replace the drive as soon as a proven spare is there.",
    ),
    "fs-bad-copy-repaired": Words(
        "A bad copy was found and written anew from a good one.",
        "Nothing is lost. Watch the drive it was on.",
    ),
    "fs-cannot-read": Words(
        "A filesystem could not read its own structures.",
        "See the drive's own errors; copy what matters.",
    ),
    "fs-checksum-wrong": Words(
        "Data on a drive does not match its checksum.",
        "Run a scrub; where there is another copy it is mended from it. Check memory too.",
    ),
    "fs-damaged": Words(
        "A filesystem found damage in its own structures.",
        "Copy what matters, then check it unmounted; find out whether drive, memory or power "
        "caused it.",
    ),
    "fs-data-lost": Words(
        "Bad data was found and no good copy is left.",
        "Bring the files concerned back from the backup.",
    ),
    "fs-io-failed": Words(
        "A filesystem's reading or writing failed below it.",
        "See the drive's own errors and whether it is still there.",
    ),
    "fs-not-mounted": Words(
        "A filesystem could not be mounted.",
        "See whether a member is missing; make a copy before any repair.",
    ),
    "fs-read-only": Words(
        "A filesystem was set read-only to protect itself.",
        "See the errors before it; copy what matters before you repair.",
    ),
    "fs-routine": Words(
        "A filesystem tells what it does.",
        "Nothing.",
    ),
    "fs-stopped": Words(
        "A filesystem stopped writing to protect itself.",
        "See the errors before it; restarting without finding the cause may make it worse.",
    ),
    "fs-unclear": Words(
        "A filesystem reports an error.",
        "See the lines around it.",
    ),
    "host-bus-error": Words(
        "The controller failed on the computer's side.",
        "See whether it gets warm or sits loose; try another port or card.",
    ),
    "interrupt-lost": Words(
        "A device's signal was not handled, and the kernel stopped listening to it.",
        "Restart when it suits; if it is a disk controller, update its firmware.",
    ),
    "io-failed": Words(
        "Reading or writing failed; the log does not say why. That alone is no proof of a bad "
        "drive.",
        "See what the drive reports, and whether it is still there.",
    ),
    "link-changed": Words(
        "The connection to a drive was lost and came back, or something was plugged.",
        "If nobody touched it: check cable, connector and power.",
    ),
    "link-crc": Words(
        "Data arrived damaged on the way between drive and controller; it was sent again.",
        "Reseat or replace the data cable, or move the drive to another bay. The drive itself "
        "may be well.",
    ),
    "link-data-error": Words(
        "The connection to a drive made errors.",
        "Reseat or replace the cable, look at the backplane and at power; the drive itself may "
        "be well.",
    ),
    "link-slowed": Words(
        "The kernel made a connection slower because it made errors.",
        "Replace the cable or try another bay; a slower link also makes a rebuild longer.",
    ),
    "member-failed": Words(
        "An array threw out a member because it did not do its work.",
        "Look at what the margin is now; see why the member failed before you put it back.",
    ),
    "member-not-readable": Words(
        "A member's own notes about its array cannot be read.",
        "Check that the drive answers; do not write anything to it before you know why.",
    ),
    "member-out-of-date": Words(
        "An array left out a member that missed some writes.",
        "Find out why it was away, then add it again; it will be rebuilt.",
    ),
    "member-returned": Words(
        "A member that had failed is there again.",
        "Refresh the volume, and find out why it was away.",
    ),
    "mirror-leg-failed": Words(
        "One side of a mirror failed.",
        "See which drive it is and replace it.",
    ),
    "offlined": Words(
        "The kernel set a drive aside because it did not come back after a reset.",
        "Check power and cable first, then treat the drive as lost.",
    ),
    "old-error-counts": Words(
        "A pool recalls errors that it counted long ago.",
        "Nothing new; clear the counts once the cause is mended.",
    ),
    "optical-trouble": Words(
        "An optical drive, a tape or an enclosure could not do what it was asked.",
        "Nothing for your pools.",
    ),
    "path-failed": Words(
        "One of several paths to a drive failed.",
        "Check that path's cable and adapter; with no path left the drive is gone.",
    ),
    "pool-member-errors": Words(
        "A pool counts read or write errors on a member.",
        "See the member's own errors; check that it is still there.",
    ),
    "pool-member-missing": Words(
        "A pool's member is missing.",
        "Find the drive: power, cable, slot. Its pool has lost margin.",
    ),
    "pool-member-not-written": Words(
        "A pool could not write to a member.",
        "Check that the member is still there.",
    ),
    "pool-mounted-degraded": Words(
        "A pool was mounted with a member missing.",
        "Replace the member; check afterwards that all data has its copies again.",
    ),
    "pool-replace": Words(
        "A member is being replaced, or the replacement ended.",
        "Let it finish, then check that no data is left with a single copy.",
    ),
    "pool-suspended": Words(
        "A pool stopped all its work because it cannot reach enough members.",
        "Bring the members back (power, cables) before you restart anything.",
    ),
    "port-exception": Words(
        "A port reported trouble without saying which.",
        "See the lines around it; alone it means little.",
    ),
    "port-gave-up": Words(
        "The kernel gave up on a drive after its resets failed.",
        "The drive is out: check power and cable first, then treat it as lost.",
    ),
    "port-reset": Words(
        "A port was reset to bring a drive back to its senses.",
        "See the error before it; many resets point to cable or power.",
    ),
    "port-routine": Words(
        "A port tells what it does.",
        "Nothing.",
    ),
    "port-slow": Words(
        "A drive took long to come back after a reset.",
        "Watch it; spinning drives need some seconds.",
    ),
    "portable-left": Words(
        "A USB device was unplugged.",
        "Nothing, if somebody meant it.",
    ),
    "portable-trouble": Words(
        "A stick, a card or another portable device made trouble; no pool rests on it.",
        "Nothing for your pools. Do not trust that device with the only copy of anything.",
    ),
    "protocol-error": Words(
        "Drive and controller misunderstood each other.",
        "Check the cable; see whether the drive's firmware has an update.",
    ),
    "queueing-switched-off": Words(
        "The kernel stopped sending several commands at once because too many failed.",
        "See the errors around it.",
    ),
    "read-from-other-copy": Words(
        "An array read from another copy because one member failed to.",
        "See the member's own errors.",
    ),
    "rebuild-finished": Words(
        "An array finished a rebuild.",
        "Check that the margin is full again.",
    ),
    "rebuild-interrupted": Words(
        "A rebuild was interrupted.",
        "See whether it goes on by itself; if not, see why.",
    ),
    "rebuild-started": Words(
        "An array started to rebuild a member.",
        "Let it finish; leave the other members in peace until margin is back.",
    ),
    "removed-after-failure": Words(
        "The kernel removed a drive because it did not come back after a reset.",
        "Power the box off and on once; if the drive does not come back, replace it.",
    ),
    "reshape": Words(
        "An array changes its shape.",
        "Let it finish.",
    ),
    "resync": Words(
        "An array makes its copies alike.",
        "Nothing; let it finish.",
    ),
    "scrub": Words(
        "A scrub started or ended.",
        "Nothing.",
    ),
    "scrub-mismatch": Words(
        "A scrub found places where the copies differ.",
        "See whether a drive or memory is at fault; a repair makes the copies alike but cannot "
        "tell which is right.",
    ),
    "sector-not-repaired": Words(
        "A drive could not read a place, and the array could not write it back.",
        "Check the array's margin now, copy what cannot be replaced, then replace the drive.",
    ),
    "sector-repaired": Words(
        "A drive could not read a place at first; it was read again or written back from the "
        "other members.",
        "Nothing is lost. Watch the drive: repeated repairs mean it is wearing out.",
    ),
    "snapshot-lost": Words(
        "A snapshot became unusable, mostly because it was full.",
        "Remove it; the data itself is not touched.",
    ),
    "task-stuck": Words(
        "A program waited for more than two minutes, mostly for a drive.",
        "See which drive is slow or silent.",
    ),
    "transport-trouble": Words(
        "The way to a drive was interrupted.",
        "Check cables, expander and backplane.",
    ),
    "unreadable-sector": Words(
        "A drive could not read a place on its medium: that data is lost on this drive.",
        "See what else the drive reports; in a pool with margin let a scrub rewrite the place "
        "from the other members, and plan a replacement if it happens again.",
    ),
    "unwritable-sector": Words(
        "A drive could not write to a place on its medium, which means it has run out of ways "
        "round it.",
        "Plan to replace the drive soon; check that the pool still has its margin.",
    ),
    "volume-damaged": Words(
        "The notes that a volume keeps about itself are damaged.",
        "Stop writing; make a copy before any repair.",
    ),
    "volume-full": Words(
        "A volume that promises more than it has ran out of room.",
        "Make room or add to it; writes wait or fail until then.",
    ),
    "volume-not-started": Words(
        "A volume was not started.",
        "See which part is missing.",
    ),
    "volume-notice": Words(
        "A volume tells how full it is.",
        "Keep an eye on its room.",
    ),
    "volume-read-only": Words(
        "A volume was set read-only to protect itself.",
        "See the errors before it; copy what matters before you repair.",
    ),
}
