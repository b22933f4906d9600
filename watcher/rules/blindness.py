"""Rules about what we cannot see. "Cannot see" is never "fine"."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from watcher.facts.drive import SAME_NAME, SWITCHED_OFF, WARNING_OFF, DriveUnread, Unread
from watcher.facts.finding import Evidence, Finding, Urgency
from watcher.facts.identity import DriveId, PoolId, Subject, SubjectKind, about_source
from watcher.facts.pool import Protection, Remark
from watcher.facts.survey import READER, RIGHTS, Blindness
from watcher.facts.units import capital, say_count, say_span
from watcher.rules.kernel import DISCOVERY
from watcher.rules.look import Found, finding_about
from watcher.rules.pool import pool_finding, pools, quote
from watcher.rules.tuning import Threshold, Tuning
from watcher.rules.view import View, say_bay

WHY: Final = {
    Unread.FORBIDDEN: ("we may not ask it", "Give the watcher the right to ask this drive."),
    Unread.HUNG: (
        "it does not answer in time",
        "See what the kernel log says of it; check cable and power. It can hold up its whole pool.",
    ),
    Unread.GARBLED: (
        "its answer makes no sense",
        "Ask it by hand with smartctl; a drive behind a bridge may need another device type.",
    ),
    Unread.TOOL_MISSING: ("smartctl is not installed", "Install smartmontools."),
    Unread.VANISHED: (
        "it is named but does not answer",
        "Check cable, power and seat; if it was taken out for good, take it off the list.",
    ),
    Unread.NOT_YET: (
        "it had not answered when this look ended",
        "Look again and wait for it; if it stays silent, check cable and power.",
    ),
}


URGENCY: Final = {Unread.HUNG: Urgency.TODAY, Unread.NOT_YET: Urgency.NOTE}
"""This week for all others."""


def _about(unread: DriveUnread) -> tuple[Subject, str]:
    """Name a drive of which only the place is known: it is a source, not a drive id."""
    name = unread.node + (f" {unread.device_type}" if unread.device_type else "")
    where = f"{say_bay(unread.bay)} ({name})" if unread.bay else name
    return about_source(name), f"the drive at {where}"


def _finding(view: View, rule: str, unread: DriveUnread, found: Found) -> Finding:
    """Build a finding about a drive that gave no reading."""
    if unread.drive is not None:
        return finding_about(view, rule, unread.drive, found)
    subject, label = _about(unread)
    return Finding(
        rule=rule,
        subject=subject,
        label=label,
        urgency=found.urgency,
        sentence=found.sentence,
        next_step=found.next_step,
        observed_at=view.now,
        evidence=found.evidence,
        level=found.level,
    )


def _unread(view: View) -> list[DriveUnread]:
    """Give the drives with no reading, in a fixed order."""
    return sorted(view.survey.unread, key=lambda u: (u.drive or "", u.node, u.device_type))


def cannot_see_drive(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find drives that are there and give no reading, asleep ones and strangers to SMART aside.

    Where the look lacks rights ``cannot_see_source`` says so once for all of them.
    """
    del tuning
    forbidden = view.survey.forbidden
    for unread in _unread(view):
        if unread.why in {Unread.ASLEEP, Unread.NO_SMART} or unread in forbidden:
            continue
        known = view.past.get(unread.drive) if unread.drive is not None else None
        if unread.why is Unread.VANISHED and known is not None:
            continue  # drive-gone says so, or the owner retired it
        because, remedy = WHY[unread.why]
        hung = unread.why is Unread.HUNG
        evidence = [Evidence(what=f"at {unread.node}", value=unread.detail or unread.why.value)]
        if known is not None and known.last_read is not None:
            age = say_span(view.now - known.last_read)
            evidence.append(Evidence(what="last reading", value=f"{age} ago"))
        found = Found(
            urgency=URGENCY.get(unread.why, Urgency.THIS_WEEK),
            sentence=f"We cannot see how the drive is: {because}.",
            next_step=remedy,
            evidence=tuple(evidence),
            level=1,
            bears_on_margin=hung,
        )
        yield _finding(view, "cannot-see-drive", unread, found)


def never_answers_smart(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find drives that have no SMART, as virtual disks, bridges and sticks, or none any more."""
    del tuning
    for unread in _unread(view):
        if unread.why is not Unread.NO_SMART:
            continue
        off = unread.detail.startswith(SWITCHED_OFF)
        past = view.past.get(unread.drive) if unread.drive is not None else None
        told_before = past is not None and past.last_read is not None
        sentence = "The drive does not tell how it is; only the log and its pool can."
        next_step = (
            "If it sits behind a bridge or a controller, try another device type in the "
            "settings. A virtual disk is watched best on its host."
        )
        if off:
            sentence = "The drive could tell how it is, and was told not to."
            next_step = unread.detail
        elif told_before:
            sentence = "The drive told how it is before, and does not any more."
            next_step = (
                "If nothing was changed (another bridge, port or device type), take it for a sign: "
                "check its cable and power, ask it by hand with smartctl, and have a spare ready."
            )
        found = Found(
            urgency=Urgency.THIS_WEEK if off or told_before else Urgency.NOTE,
            sentence=sentence,
            next_step=next_step,
            evidence=(Evidence(what=f"at {unread.node}", value=unread.detail or "no SMART"),),
            level=1,
            bears_on_margin=False,
        )
        yield _finding(view, "drive-never-answers-smart", unread, found)


SLEPT: Final = Threshold(
    name="days",
    value=14,
    unit="days",
    source="our choice: nothing is known of a drive that is never seen awake",
)


def asleep_too_long(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find drives that were asleep at every look for a long time: nothing is known of them."""
    for unread in _unread(view):
        if unread.why is not Unread.ASLEEP or unread.drive is None:
            continue
        past = view.past.get(unread.drive)
        if past is None:
            continue
        since = past.last_read or past.first_seen
        limit = SLEPT.of(tuning, "asleep-too-long", view.target_of(unread.drive))
        if (view.now - since).total_seconds() < limit * 86400:
            continue
        found = Found(
            urgency=Urgency.NOTE,
            sentence="The drive was asleep at every look for a long time; we know nothing new.",
            next_step="Wake it once, for instance with a scrub or a self-test, so that it is read.",
            evidence=(Evidence(what="last reading", value=f"{say_span(view.now - since)} ago"),),
            level=1,
            bears_on_margin=False,
        )
        yield _finding(view, "asleep-too-long", unread, found)


_DOUBTS: Final = {
    SAME_NAME: (
        SAME_NAME,
        (
            "Put a label of your own on each of them, and go by that and by its place before one "
            "is pulled: the serial number does not tell which is which."
        ),
    ),
    WARNING_OFF: (
        "The drive's own failure warning is switched off: it would not say that it is failing.",
        (
            "Switch it on: `smartctl -s on /dev/NAME` as root, with the drive's name for NAME. It "
            "touches no data."
        ),
    ),
}
"""What is said of doubts with a step of their own, the gravest first."""
_ODD: Final = (
    "Part of the drive's answer is odd or lacking, and is not relied on.",
    "Ask the drive by hand with smartctl and compare; newer firmware may help.",
)


def answer_doubtful(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find drives whose answer was complete but odd."""
    del tuning
    for reading in sorted(view.survey.drives, key=lambda r: r.identity.drive):
        if not reading.doubts:
            continue
        known = next((doubt for doubt in _DOUBTS if doubt in reading.doubts), "")
        sentence, next_step = _DOUBTS.get(known, _ODD)
        found = Found(
            urgency=Urgency.NOTE,
            sentence=sentence,
            next_step=next_step,
            evidence=tuple(Evidence(what="odd", value=doubt) for doubt in reading.doubts),
            level=1,
            bears_on_margin=False,
        )
        yield finding_about(view, "answer-doubtful", reading.identity.drive, found)


_SOURCES: Final = {
    "block-devices": "the list of disks",
    "btrfs": "the btrfs pools",
    "copies": "the copies",
    "declared": "the pools declared in the settings",
    DISCOVERY: "the search for drives",
    "file-parity": "the file-level parity",
    "kernel-log": "the kernel log",
    "lvm": "the LVM volumes",
    "md": "the md arrays",
    READER: "the half of the watch that looks",
    "zfs": "the ZFS pools",
}


def say_source(source: str) -> str:
    """Name a source as a person would."""
    return _SOURCES.get(source, f"the source {source.replace('-', ' ')}")


def cannot_see_source(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find sources that did not answer: what they would tell is not known.

    A stack that hides a pool known from before, and drive discovery, are ``today``: a loss behind
    them would go unseen. A reader that is gone hides all of it, and is one finding; so is a look
    that lacks rights.
    """
    del tuning
    forbidden = view.survey.forbidden
    if forbidden:
        yield _no_rights(view, forbidden)
    groups: dict[tuple[str, str], list[Blindness]] = {}
    for blind in view.survey.blind_to_tell:
        if blind not in forbidden:
            groups.setdefault((blind.source, str(blind.subject or "")), []).append(blind)
    for (source, _), alike in sorted(groups.items()):
        yield _blind_finding(view, alike, _hidden_by(view, {source}))


def _hidden_by(view: View, sources: set[str]) -> list[PoolId]:
    """Give the known pools that some sources would show and that were not seen."""
    return sorted(
        past.pool
        for past in view.pool_past.values()
        if past.in_use
        and sources & {READER, past.kind.value}
        and past.pool not in {pool.pool for pool in view.survey.pools}
    )


def _no_rights(view: View, forbidden: tuple[Blindness | DriveUnread, ...]) -> Finding:
    """Build the one finding about all that may not be asked."""
    sources = {spot.source for spot in forbidden if isinstance(spot, Blindness)}
    drives = [spot for spot in forbidden if isinstance(spot, DriveUnread)]
    names = sorted(map(say_source, sources))
    if drives:
        names.append(say_count(len(drives), "drive"))
    hidden = _hidden_by(view, sources)
    asked = " and ".join(part for part in (", ".join(names[:-1]), names[-1]) if part)
    sentence = f"The watch may not ask {asked}: what they would tell is not known."
    if hidden:
        sentence += f" It hides: {', '.join(view.pool_past[pool].name for pool in hidden)}."
    grave = bool(hidden) or DISCOVERY in sources
    return Finding(
        rule="cannot-see-source",
        subject=about_source(RIGHTS),
        label="the rights of the watch",
        urgency=Urgency.TODAY if grave else Urgency.THIS_WEEK,
        sentence=sentence,
        next_step="Run the watch as root; systemd/install.sh makes it a service that has the "
        "rights it needs. Or grant what each asks for: midwatch look names it.",
        observed_at=view.now,
        evidence=tuple(
            Evidence(what=spot.source, value=spot.detail)
            if isinstance(spot, Blindness)
            else Evidence(what=f"at {spot.node}", value=spot.detail or spot.why.value)
            for spot in forbidden
        ),
        level=1 + len(hidden),
    )


def _blind_finding(view: View, alike: list[Blindness], hidden: list[PoolId]) -> Finding:
    """Build the finding about the blind spots of one source, and the pools that they hide."""
    blind = alike[0]
    gone = blind.source == READER
    grave = bool(hidden) or blind.source in {DISCOVERY, READER}
    subject = blind.subject or about_source(blind.source)
    label = named = say_source(blind.source)
    drives: tuple[DriveId, ...] = ()
    if subject.kind is SubjectKind.DRIVE:
        drives = (DriveId(subject.key),)
        label = view.label_of(drives[0])
    sentence = f"We cannot look at {named}: what that would tell is not known."
    if gone:
        sentence = "It does not answer: no drive, no pool and no kernel log is seen."
    if hidden:
        sentence += f" It hides: {', '.join(view.pool_past[pool].name for pool in hidden)}."
    remedy = capital(blind.remedy).rstrip(".")
    return Finding(
        rule="cannot-see-source",
        subject=subject,
        label=label,
        urgency=Urgency.TODAY if grave else Urgency.THIS_WEEK,
        sentence=sentence,
        next_step=f"{remedy or 'Find out why it does not answer; run its program by hand'}.",
        observed_at=view.now,
        evidence=tuple(
            Evidence(what=f"{one.source} ({one.why.value})", value=one.detail) for one in alike
        ),
        pool=hidden[0] if hidden and not gone else None,
        drives=drives,
        level=1 + len(hidden),
    )


def pool_not_understood(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find pools whose state cannot be told, whole or in part."""
    del tuning
    for pool in pools(view):
        words = [n for n in pool.notes if n.remark is Remark.UNKNOWN_WORD]
        few = [n for n in pool.notes if n.remark is Remark.FEW_CHECKS]
        unknown = pool.protection is Protection.UNKNOWN
        if not (unknown or words or few):
            continue
        yield pool_finding(
            view,
            "pool-not-understood",
            pool,
            urgency=Urgency.TODAY if unknown else Urgency.THIS_WEEK if words else Urgency.NOTE,
            sentence=(
                f"We cannot tell how protected the pool {pool.name} is."
                if unknown
                else f"Part of what the pool {pool.name} says could not be read or understood."
            ),
            next_step="Look at the pool's own status by hand; do not take silence for safety.",
            evidence=tuple(quote(note) for note in (*words, *few)),
            level=2 if unknown else 1,
        )
