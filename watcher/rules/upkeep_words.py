"""The words of the rules about a pool's upkeep: what the catalogue says of each."""

from __future__ import annotations

from typing import Final

from watcher.rules.rule import Kind, Rule
from watcher.rules.upkeep import (
    BEHIND,
    SCRUB_EVERY,
    SCRUB_LATE,
    copies_disagree,
    member_errs,
    member_put_out,
    parity_behind,
    parity_catching_up,
    parity_in_doubt,
    redundancy_not_restored,
    scrub_found_damage,
    scrub_overdue,
)

PRACTICE: Final = "common practice, no source"
FIELD: Final = "our own runs with injected faults"

RULES: Final = (
    Rule(
        name="scrub-found-damage",
        kind=Kind.POOL,
        sentence="Some data in a pool is damaged beyond its own repair.",
        reads=("remark damaged-data",),
        thresholds=(),
        urgency="today. Grows with every doubling of what is damaged.",
        what_to_do="Restore the damaged files from a backup, scrub again, look for the cause.",
        usual_cause="An unreadable sector met with no margin, bad memory, or a bad controller.",
        quiet_when="For differences that the pool could repair.",
        sources=(FIELD + ": told by the errors line alone while the pool says ONLINE (ZFS)",),
        check=scrub_found_damage,
    ),
    Rule(
        name="scrub-overdue",
        kind=Kind.POOL,
        sentence="A pool was not read end to end for a long time.",
        reads=("end of the last full scrub",),
        thresholds=(SCRUB_EVERY, SCRUB_LATE),
        urgency="to know; this week when several are missed.",
        what_to_do="Start a scrub at a quiet time; let it run every month.",
        usual_cause="Nobody planned one, or the box sleeps when it is due.",
        quiet_when=(
            "While the pool is busy or lacks margin (a rebuild comes first), and until it was "
            "watched for long enough where its stack keeps no date."
        ),
        sources=(PRACTICE, "Elerath and Schindler 2014: scrub intervals bound latent defects"),
        check=scrub_overdue,
    ),
    Rule(
        name="copies-disagree",
        kind=Kind.POOL,
        sentence="A scrub met copies or parity that do not match.",
        reads=("remark copies-differ",),
        thresholds=(),
        urgency="to know for mirrors, this week for parity. Grows with every doubling.",
        what_to_do="Scrub again and see whether it grows; check memory and cables.",
        usual_cause="Swap space on a mirror; for parity memory, cable or controller.",
        quiet_when="When the pool says that data is damaged, which is the graver finding.",
        sources=(
            "md(4), SCRUBBING AND MISMATCHES: no proof of damage on RAID1 and RAID10",
            "md(4), same section: on clean RAID5 and RAID6 any mismatch points to hardware",
        ),
        check=copies_disagree,
    ),
    Rule(
        name="member-put-out",
        kind=Kind.POOL,
        sentence="A part of a pool is out, though its margin is full.",
        reads=("members, spares, journals, logs and caches and their states",),
        thresholds=(),
        urgency="this week; today for a journal; to know for a cache. Grows with each part.",
        what_to_do="Check its cable, seat and power first; then replace it.",
        usual_cause="A failed drive that a hot spare stands in for: the next loss finds no spare.",
        quiet_when="While the margin is not full: then margin-thinned or margin-gone says it.",
        sources=(
            "md(4): a failed member stays in the list until it is removed",
            "zpoolconcepts(7), hot spares: the failed drive stays listed beside its spare",
        ),
        check=member_put_out,
    ),
    Rule(
        name="member-errs-inside-pool",
        kind=Kind.POOL,
        sentence="A pool counted errors on one of its members.",
        reads=("the pool's own error counts", "remark member-errs"),
        thresholds=(),
        urgency=(
            "to know while the count stands still, this week when it is new or grows, today in a "
            "thinned pool, now in one that lost its margin. Grows with every doubling."
        ),
        what_to_do="Look at the drive's counters and the log; check its cable; scrub.",
        usual_cause="A weak sector or a cable.",
        quiet_when=(
            "When all members of a set carry the same count (ZFS): then none of them is to blame."
        ),
        sources=(
            "zpoolconcepts(7): errors that cannot be attributed are counted on all drives",
            "Linux md administration guide: member errors count corrected reads",
        ),
        check=member_errs,
    ),
    Rule(
        name="redundancy-not-restored",
        kind=Kind.POOL,
        sentence="A repair is not complete: some data has less protection than promised.",
        reads=("remarks mixed-profiles, refresh-needed, listed-missing",),
        thresholds=(),
        urgency="today; this week when only a lost device is still listed.",
        what_to_do="Convert, refresh, and take lost devices off the list.",
        usual_cause="Writes while a drive was missing, then a replacement and no conversion.",
        quiet_when="While the conversion runs.",
        sources=(FIELD + ": single chunks remain after degraded writes and a replace (btrfs)",),
        check=redundancy_not_restored,
    ),
    Rule(
        name="parity-in-doubt",
        kind=Kind.POOL,
        sentence="A pool lost a member and stopped uncleanly.",
        reads=("remark dirty-degraded",),
        thresholds=(),
        urgency="now.",
        what_to_do="Do not force it to start; copy first and compare with a backup.",
        usual_cause="A power cut while a member was missing.",
        quiet_when="Never.",
        sources=("Linux md administration guide: dirty and degraded may hide corruption",),
        check=parity_in_doubt,
    ),
    Rule(
        name="parity-behind",
        kind=Kind.POOL,
        sentence="A pool holds changes that its parity does not cover yet.",
        reads=("remark unsynced",),
        thresholds=(BEHIND,),
        urgency="to know; today when a drive of the pool is lost. Grows with every doubling.",
        what_to_do="Run the sync, but never while a drive is lost.",
        usual_cause="No sync since the last changes.",
        quiet_when="While a sync runs.",
        sources=(FIELD + ": a sync with a lost disk is refused (file-level parity)",),
        check=parity_behind,
    ),
    Rule(
        name="parity-catching-up",
        kind=Kind.POOL,
        sentence="A pool was stopped uncleanly and its parity is not in step yet.",
        reads=("remark parity-stale", "work of the pool"),
        thresholds=(),
        urgency="to know while the resync runs; today when it does not.",
        what_to_do="Let it finish; touch no drive meanwhile.",
        usual_cause="A power cut or a crash.",
        quiet_when="Never; margin-gone leaves it to this rule while every member stands.",
        sources=("Linux md administration guide: resync after an unclean shutdown",),
        check=parity_catching_up,
    ),
)
