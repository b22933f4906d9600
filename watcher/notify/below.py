"""The lines below the first: stake, chance, time, the next action, and where to answer."""

from __future__ import annotations

from watcher.cases.state import NoticeKind
from watcher.exposure.figure import say_chance, say_likely
from watcher.facts.finding import Finding, Urgency
from watcher.facts.pool import AtStake, Protection, Work, WorkKind, WorkState
from watcher.facts.units import say_done
from watcher.notify.message_facts import CaseExtras, LossChance
from watcher.notify.scene import Line, Scene, in_short
from watcher.notify.words import clean, cut, gist, short_label, whole_sentences

LONGEST_LINK = 300
SHORT_STEP = 240
_LATER = " After that:"
"""What follows is no step for now: on a phone at night it is not even named."""

LONGEST_STEP = 400
"""Characters of a next step that stands alone: so that "the pool hangs on" is not cut off."""


def standing_lines(scene: Scene) -> list[Line]:
    """Say what is at stake, how likely a loss is, and when it is over."""
    extras = scene.extras
    lines: list[Line] = []
    if scene.item.kind is NoticeKind.DIGEST:
        return lines
    stake = say_stake(scene)
    if stake:
        lines.append(Line(text=stake, drop=2))
    elif not scene.is_calm and extras.protection is Protection.WHOLE and extras.margin is not None:
        full = "full margin again," if scene.was_short else "margin still"
        lines.append(Line(text=f"{scene.pool}: {full} {extras.margin}{_built(extras)}.", drop=4))
    if scene.item.kind is NoticeKind.ALL_CLEAR:
        return lines
    if extras.work is not None:
        lines.append(Line(text=_say_work(extras.work), drop=6))
    if extras.loss is not None:
        text = _say_loss(extras.loss, extras)
        window = _say_window(scene)
        lines += [Line(text=window, drop=3)] if window else []
        lines.append(Line(text=text, drop=3))
    elif extras.window is not None:
        lines.append(Line(text=_say_window(scene), drop=3))
    return lines


def _say_loss(loss: LossChance, extras: CaseExtras) -> str:
    """Say how likely a loss is, and of that what costs more than single files."""
    until = "" if extras.window is None else " until then"
    text = f"Chance of loss{until}: {say_likely(loss.likely, loss.low, loss.high)}"
    if loss.beyond is not None:
        member = extras.at_stake is AtStake.MEMBER
        text += f", of losing {'what sits on a drive' if member else 'all of it'} "
        text += say_chance(loss.beyond)
    return text


def _built(extras: CaseExtras) -> str:
    """Say what margin a pool was built with."""
    return f" of {extras.full_margin}" if extras.full_margin else ""


def say_stake(scene: Scene) -> str:
    """Say what the next loss would cost; "" when no pool is touched or it is whole."""
    pool, extras = scene.pool, scene.extras
    built = _built(extras)
    match extras.protection:
        case None | Protection.WHOLE:
            return ""
        case Protection.BROKEN:
            return f"{pool}: data is lost or out of reach already."
        case Protection.UNKNOWN:
            return f"{pool}: how many drives it can lose is not known."
        case Protection.BARE:
            if extras.at_stake is AtStake.MEMBER:
                return f"{pool}: margin 0{built}. The next drive lost takes what is on it."
            return f"{pool}: margin 0{built}. The next drive lost takes everything."
        case Protection.THINNED:
            left = extras.margin
            if left is None:
                return f"{pool} lost some of its margin."
            return f"{pool}: margin {left}{built}."


_WORK_WORDS = {
    WorkKind.FIRST_BUILD: "First build",
    WorkKind.REBUILD: "Rebuild",
    WorkKind.RESYNC: "Resync",
    WorkKind.SCRUB: "Scrub",
    WorkKind.REPAIR: "Repair",
    WorkKind.RESHAPE: "Reshape",
    WorkKind.CONVERT: "Conversion",
    WorkKind.SYNC: "Parity update",
}
_STATE_WORDS = {
    WorkState.RUNNING: "running",
    WorkState.WAITING: "waiting",
    WorkState.PAUSED: "paused",
}


def _say_work(work: Work) -> str:
    """Say what the pool is busy with and how far it is."""
    text = f"{_WORK_WORDS[work.kind]} {_STATE_WORDS[work.state]}"
    if work.done_fraction is not None:
        text += f", {say_done(work.done_fraction)} done"
    return text + "."


def _say_window(scene: Scene) -> str:
    """Say when full margin is proven back, as a forecast: the rebuild and the check after it."""
    window = scene.extras.window
    if window is None:
        return ""
    likely = scene.when(window.likely)
    span = f"{scene.when(window.earliest)} to {scene.when(window.latest)}"
    return f"Full margin proven back: likely {likely} ({span})"


def action_lines(scene: Scene) -> list[Line]:
    """Say what to do next, and where to answer."""
    lines: list[Line] = []
    finding, case = scene.finding, scene.case
    acts = not scene.is_calm and case is not None
    if acts and finding is not None:
        own = scene.pool_finding
        alone = own is None or own.next_step == finding.next_step
        longest = LONGEST_STEP if alone else SHORT_STEP
        now, _, _ = in_short(finding, finding.next_step).partition(_LATER)
        step = whole_sentences(now, longest)
        lines.append(Line(text=f"Next: {step}", drop=1))
        if own is not None and not alone:
            then = whole_sentences(in_short(finding, own.next_step), SHORT_STEP)
            lines.append(Line(text=f"Then: {then}", drop=3))
        if clean(finding.label) != short_label(finding.label):
            lines.append(Line(text=f"Which: {cut(finding.label, 100)}", drop=2))
        told = {finding.key} | ({own.key} if own is not None and scene.plight else set())
        others = _others(scene, told, finding)
        lines += [Line(text=text, drop=5) for text in others]
    if acts and scene.extras.best_choice:
        lines.append(Line(text=cut(scene.extras.best_choice, 200), drop=4))
    link = clean(scene.extras.link)
    if link and len(link) <= LONGEST_LINK:
        lines.append(Line(text=link, drop=1))
    elif acts and case is not None:
        take = named(f"midwatch ack {case.number}", scene.extras.box_option)
        lines.append(Line(text=f"Take it: {take}", drop=1))
    return lines


def named(words: str, box_option: str) -> str:
    """Give a command with the box named, where there are several."""
    return f"{words} {clean(box_option)}".strip()


def _others(scene: Scene, told: set[str], lead: Finding) -> list[str]:
    """Name what else people hear of in the same case, and count what is too much.

    Where another drive goes by the same short name, as the one that it replaced, both are named in
    full.
    """
    rest = [f for f in scene.audible if f.key not in told and f.urgency > Urgency.NOTE]
    named = []
    for other in rest[:2]:
        part = cut(short_label(other.label), 30)
        if other.subject != lead.subject and part == cut(short_label(lead.label), 30):
            part = cut(other.label, 60)
        text = gist(other.sentence).replace(clean(other.label), part)
        text = whole_sentences(text, 110)
        named.append(f"Also: {text}" if part in text else f"Also: {part}: {text}")
    if len(rest) > 2:
        named.append(f"and {len(rest) - 2} more in this case")
    return named
