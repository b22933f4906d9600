"""The lines below the first: stake, chance, time, the next action, and where to answer."""

from __future__ import annotations

from watcher.cases.state import Case, NoticeKind
from watcher.facts.pool import AtStake, Protection, Work, WorkKind, WorkState
from watcher.facts.units import say_percent
from watcher.notify.scene import Line, Scene
from watcher.notify.words import clean, cut, short_label

LONGEST_LINK = 300


def standing_lines(scene: Scene) -> list[Line]:
    """Say what is at stake, how likely a loss is, and when it is over."""
    extras = scene.extras
    lines: list[Line] = []
    if scene.item.kind is NoticeKind.DIGEST:
        return lines
    stake = say_stake(scene)
    if stake:
        lines.append(Line(text=stake, drop=2))
    if scene.item.kind is NoticeKind.ALL_CLEAR:
        return lines
    if extras.work is not None:
        lines.append(Line(text=_say_work(extras.work), drop=6))
    if extras.loss is not None:
        loss = extras.loss
        text = f"Chance of loss until then: {say_percent(loss.likely)}"
        if loss.low != loss.high:
            text += f" ({say_percent(loss.low)} to {say_percent(loss.high)})"
        if extras.window is None:
            text = text.replace(" until then", "")
        window = _say_window(scene)
        lines += [Line(text=window, drop=3)] if window else []
        lines.append(Line(text=text, drop=3))
    elif extras.window is not None:
        lines.append(Line(text=_say_window(scene), drop=3))
    return lines


def say_stake(scene: Scene) -> str:
    """Say what the next loss would cost; "" when no pool is touched or it is whole."""
    pool, extras = scene.pool, scene.extras
    built = f" of {extras.full_margin}" if extras.full_margin else ""
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
        # Rounded down: 99.6% is not done.
        text += f", {int(work.done_fraction * 100)}% done"
    return text + "."


def _say_window(scene: Scene) -> str:
    """Say when full margin is back, as a forecast."""
    window = scene.extras.window
    if window is None:
        return ""
    likely = scene.when(window.likely)
    span = f"{scene.when(window.earliest)} to {scene.when(window.latest)}"
    return f"Full margin back: likely {likely} ({span})"


def action_lines(scene: Scene) -> list[Line]:
    """Say what to do next, and where to answer."""
    lines: list[Line] = []
    finding, case = scene.finding, scene.case
    acts = not scene.is_calm and case is not None
    if acts and finding is not None:
        lines.append(Line(text=f"Next: {cut(finding.next_step, 240)}", drop=1))
        own = scene.pool_finding
        if own is not None:
            lines.append(Line(text=f"Then: {cut(own.next_step, 240)}", drop=3))
        if clean(finding.label) != short_label(finding.label):
            lines.append(Line(text=f"Which: {cut(finding.label, 100)}", drop=2))
        told = {finding.key} | ({own.key} if own is not None and scene.plight else set())
        others = _others(case, told) if case is not None else []
        lines += [Line(text=text, drop=5) for text in others]
    if acts and scene.extras.best_choice:
        lines.append(Line(text=cut(scene.extras.best_choice, 200), drop=4))
    link = clean(scene.extras.link)
    if link and len(link) <= LONGEST_LINK:
        lines.append(Line(text=link, drop=1))
    elif acts and case is not None:
        lines.append(Line(text=f"Take it: midwatch ack {case.number}", drop=1))
    return lines


def _others(case: Case, told: set[str]) -> list[str]:
    """Name what else holds in the same case, and count what is too much."""
    rest = [f for f in case.standing if f.key not in told]
    named = [f"Also: {cut(short_label(f.label), 30)}: {cut(f.sentence, 90)}" for f in rest[:2]]
    if len(rest) > 2:
        named.append(f"and {len(rest) - 2} more in this case")
    return named
