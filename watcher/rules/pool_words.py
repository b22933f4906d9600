"""The words of the rules about margin and rebuilds: what the catalogue says of each."""

from __future__ import annotations

from typing import Final

from watcher.rules.pool import (
    built_without_margin,
    margin_gone,
    margin_thinned,
    pool_broken,
    pool_gone,
)
from watcher.rules.rebuild import (
    STALL,
    rebuild_cannot_finish,
    rebuild_running,
    rebuild_stalled,
)
from watcher.rules.rule import Kind, Rule

TREE: Final = "the members and their states"
OURS: Final = "our choice: urgency follows what the next loss would cost"
FIELD: Final = "our own runs with injected faults (kernel 6.1)"

RULES: Final = (
    Rule(
        name="margin-thinned",
        kind=Kind.POOL,
        sentence="A pool lost some of its protection and can still lose a drive.",
        reads=(TREE, "remarks that cap the protection"),
        thresholds=(),
        urgency="today. Grows with each member lost.",
        what_to_do="Check cable and power of the lost member, then replace it.",
        usual_cause="A failed drive, a cable, or a member taken out by a person.",
        quiet_when="While a new array fills its parity for the first time, or a reshape adds "
        "margin that was not there before.",
        sources=(OURS, "Linux md administration guide: degraded counts the devices missing"),
        check=margin_thinned,
    ),
    Rule(
        name="margin-gone",
        kind=Kind.POOL,
        sentence="A pool has no protection left: the next loss costs data.",
        reads=(TREE, "remarks that cap the protection"),
        thresholds=(),
        urgency="now, until full margin is proven back; today where every member stands and only "
        "what was written meanwhile lacks its copies.",
        what_to_do="See that a copy exists, then bring the lost member back or replace it.",
        usual_cause="A failed drive; often a second one soon after the first.",
        quiet_when="For pools built without redundancy and during a first build.",
        sources=(
            OURS,
            "Maneas et al., FAST 2020: after one replacement in a group, 9.4% another in a week",
        ),
        check=margin_gone,
    ),
    Rule(
        name="pool-broken",
        kind=Kind.POOL,
        sentence="A pool lost more than it can bear, or has stopped.",
        reads=(TREE, "remarks that cap the protection"),
        thresholds=(),
        urgency="now.",
        what_to_do="Write nothing; check power and cables; then follow the recovery steps.",
        usual_cause="Several drives cut off at once by power, cable or controller.",
        quiet_when="Never.",
        sources=(OURS, FIELD + ": a suspended pool can list all its members as online"),
        check=pool_broken,
    ),
    Rule(
        name="built-without-margin",
        kind=Kind.POOL,
        sentence="A pool was built without redundancy.",
        reads=(TREE,),
        thresholds=(),
        urgency="to know.",
        what_to_do="Keep only what can be replaced on it, or back it up.",
        usual_cause="A choice for space or speed.",
        quiet_when="For pools with any redundancy, and for those that stand on such pools.",
        sources=(OURS,),
        check=built_without_margin,
    ),
    Rule(
        name="pool-gone",
        kind=Kind.POOL,
        sentence="A pool that was there is not listed any more.",
        reads=("pools seen before", "whether their stack answered"),
        thresholds=(),
        urgency="now.",
        what_to_do="Create nothing anew; check power and cables of its drives.",
        usual_cause="All its members were cut off; or it was stopped by hand.",
        quiet_when="Its stack did not answer, or the owner retired the pool.",
        sources=(FIELD + ": an array whose last leg went vanished from the kernel's list",),
        check=pool_gone,
    ),
    Rule(
        name="rebuild-running",
        kind=Kind.POOL,
        sentence="A pool is being rebuilt.",
        reads=("work in progress",),
        thresholds=(),
        urgency="to know; the missing margin has its own finding.",
        what_to_do="Let it finish; lighten the load.",
        usual_cause="A member was replaced, or a spare stepped in.",
        quiet_when="For scrubs, and when the rebuild cannot finish.",
        sources=(FIELD + ": a second spare added during a rebuild starts it anew",),
        check=rebuild_running,
    ),
    Rule(
        name="rebuild-stalled",
        kind=Kind.POOL,
        sentence="A rebuild stands still.",
        reads=("work in progress and its past samples", "remark frozen"),
        thresholds=(STALL,),
        urgency="now when the pool can lose nothing, else today.",
        what_to_do="Find out who paused it or what hangs before starting it anew.",
        usual_cause="A member that hangs, a pause by hand, or heavy load.",
        quiet_when=(
            "Where the stack tells no progress, with no past sample, and for a scrub of a whole "
            "pool. Per cent is not time: late per cents take longer, but they move."
        ),
        sources=("our choice", "Linux md: slowest rebuild 1,000 KB/s for each device"),
        check=rebuild_stalled,
    ),
    Rule(
        name="rebuild-cannot-finish",
        kind=Kind.POOL,
        sentence="A rebuild met data that no remaining member can give.",
        reads=("remark cannot-finish",),
        thresholds=(),
        urgency="now when the pool can lose nothing, else today.",
        what_to_do="Copy what matters first; keep every drive in.",
        usual_cause="An unreadable sector on a survivor, met while there is no margin.",
        quiet_when="At a momentary word: some stacks flash one when a rebuild is impossible.",
        sources=("Linux commit 4044ba58dd15 (2009): a lone leg with a read error never finishes",),
        check=rebuild_cannot_finish,
    ),
)
