"""The words of the rules about what cannot be seen: what the catalogue says of each."""

from __future__ import annotations

from typing import Final

from watcher.rules.blindness import (
    SLEPT,
    answer_doubtful,
    asleep_too_long,
    cannot_see_drive,
    cannot_see_source,
    never_answers_smart,
    pool_not_understood,
)
from watcher.rules.rule import Kind, Rule

OURS: Final = "our choice: what we cannot see is never called fine"

RULES: Final = (
    Rule(
        name="cannot-see-drive",
        kind=Kind.SIGHT,
        sentence="A drive is there and gives no reading.",
        reads=("drives with no reading, and why",),
        thresholds=(),
        urgency="this week; today when it hangs, now when its pool has lost its margin as well.",
        what_to_do="Give the right to ask, install what is missing, or check cable and power.",
        usual_cause="Missing rights, a missing program, a bridge; a hang is often the drive.",
        quiet_when="It sleeps and was left asleep, or has no SMART (another rule notes it).",
        sources=(OURS,),
        check=cannot_see_drive,
    ),
    Rule(
        name="drive-never-answers-smart",
        kind=Kind.SIGHT,
        sentence="A drive does not tell how it is.",
        reads=("drives with no reading, and why",),
        thresholds=(),
        urgency="to know; this week where SMART is only switched off, or was told before.",
        what_to_do="Try another device type; watch a virtual disk on its host; switch SMART on.",
        usual_cause="A virtual disk, a RAID controller, a bridge or a stick.",
        quiet_when="It answers.",
        sources=(OURS,),
        check=never_answers_smart,
    ),
    Rule(
        name="asleep-too-long",
        kind=Kind.SIGHT,
        sentence="A drive was asleep at every look for a long time.",
        reads=("drives asleep", "their last reading"),
        thresholds=(SLEPT,),
        urgency="to know.",
        what_to_do="Wake it once, for instance with a scrub.",
        usual_cause="A drive that is hardly used.",
        quiet_when="It was read within the span.",
        sources=(OURS,),
        check=asleep_too_long,
    ),
    Rule(
        name="answer-doubtful",
        kind=Kind.SIGHT,
        sentence="Something in a drive's answer is odd.",
        reads=("doubts of the reader",),
        thresholds=(),
        urgency="to know.",
        what_to_do="Ask the drive by hand and compare.",
        usual_cause="Firmware, a bridge, or a counter in another unit.",
        quiet_when="The answer is plain.",
        sources=(OURS,),
        check=answer_doubtful,
    ),
    Rule(
        name="cannot-see-source",
        kind=Kind.SIGHT,
        sentence="A place that we look at did not answer.",
        reads=("blind spots of the survey", "drives that may not be asked", "pools seen before"),
        thresholds=(),
        urgency="this week; today when it hides a known pool or all drives.",
        what_to_do="Find out why; run its program by hand.",
        usual_cause="Missing rights, a missing program, or a stack that hangs on a dead drive.",
        quiet_when="It answered.",
        sources=(OURS,),
        check=cannot_see_source,
    ),
    Rule(
        name="pool-not-understood",
        kind=Kind.SIGHT,
        sentence="We cannot tell how protected a pool is, whole or in part.",
        reads=("protection unknown", "remarks unknown-word and few-checks"),
        thresholds=(),
        urgency="to know for parts unread, this week for unknown words, today for unknown margin.",
        what_to_do="Look at the pool's own status by hand.",
        usual_cause="A newer kernel or tool, or missing rights.",
        quiet_when="All was read and understood.",
        sources=("Linux md administration guide: lists of words may grow", OURS),
        check=pool_not_understood,
    ),
)
