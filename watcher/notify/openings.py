"""The title and the first line, for each kind of notice."""

from __future__ import annotations

from collections.abc import Callable

from watcher.cases.state import Answer, NoticeKind
from watcher.facts.finding import Urgency
from watcher.facts.pool import Protection
from watcher.facts.units import say_count
from watcher.notify.message_facts import PoolLine
from watcher.notify.scene import Scene, happening_in, in_short, is_proven
from watcher.notify.words import WHEN, clean, cut, say_long, short_label

ITEMS_SHOWN = 5
"""How many of several things are named; the rest is counted. Our choice: what fits a screen."""


def title_of(scene: Scene) -> str:
    """Say how soon, what and where."""
    kind, when = scene.item.kind, WHEN[scene.item.urgency]
    if kind in _REASONS:
        return f"{when}{reason_of(scene)}: {scene.place}{scene.plight}"
    return {
        NoticeKind.TAKEN: f"Taken by {cut(_who(scene), 24)}: {scene.place}",
        NoticeKind.WORK_OVERRUNS: f"{when}: planned work on {scene.box} ends soon",
        NoticeKind.WORK_ENDED: _work_title(scene),
        NoticeKind.EASED: f"No longer urgent: {scene.place}",
        NoticeKind.ALL_CLEAR: f"{'All clear' if is_proven(scene) else 'Case over'}: {scene.place}",
        NoticeKind.DIGEST: f"Still watching {scene.box}",
    }[kind]


_REASONS = {
    NoticeKind.OPENED: "",
    NoticeKind.WORSENED: ", worse",
    NoticeKind.ADDED: ", one thing more",
    NoticeKind.RETURNED: ", again",
    NoticeKind.REMINDER: ", no answer yet",
    NoticeKind.ANSWER_ENDED: ", time of {who} is up",
    NoticeKind.HANDED_OVER: ", handed to you by {who}",
    NoticeKind.SILENCE_ENDED: ", silence is over",
    NoticeKind.SILENCE_BROKEN: ", breaks a silence",
    NoticeKind.UNEXPECTED: ", not announced",
}
"""Why a person hears of it now, beside how soon to act."""


def reason_of(scene: Scene) -> str:
    """Say why a person hears of it now, to follow how soon to act; "" where nothing has to be said.

    Also among other things: who was handed a case must learn that it is theirs.
    """
    who = cut(clean(scene.item.about).partition(": ")[0], 24) or "somebody"
    return _REASONS.get(scene.item.kind, "").format(who=who)


def _work_title(scene: Scene) -> str:
    """Say that planned work is over, and whether something is left."""
    if scene.item.urgency > Urgency.NOTE:
        when = WHEN[scene.item.urgency]
        return f"{when}: planned work on {scene.box} is over, not all is back"
    return f"Planned work on {scene.box} is over"


def opening_of(scene: Scene) -> list[str]:
    """Give the first line, and what follows directly from the kind of the message."""
    return [line for line in _OPENINGS[scene.item.kind](scene) if line]


def _opened(scene: Scene) -> list[str]:
    return [happening_in(scene), clean(scene.item.about)]


def _returned(scene: Scene) -> list[str]:
    """Say that it is there again, and how often it was over since it began."""
    case = scene.case
    often = ""
    if case is not None and case.reopens:
        times = say_count(case.reopens + 1, "time")
        often = f"It came {times} since {scene.when(case.opened_at)}."
    return [happening_in(scene), often, clean(scene.item.about)]


def _answer_ended(scene: Scene) -> list[str]:
    answer = _their_answer(scene)
    until = f"{_who(scene)} had it until {scene.when(answer.until)}." if answer is not None else ""
    return [happening_in(scene), until]


def _handed_over(scene: Scene) -> list[str]:
    _, _, note = clean(scene.item.about).partition(": ")
    return [happening_in(scene), f"Note: {note}" if note else ""]


def _reminder(scene: Scene) -> list[str]:
    since = None
    if scene.case is not None:
        climb = scene.case.climb
        since = climb.since if climb is not None else None
        since = since or scene.case.opened_at
    return [happening_in(scene), f"Nobody answered since {scene.when(since)}." if since else ""]


def _silence_ended(scene: Scene) -> list[str]:
    return [happening_in(scene), "It was silent until now and still holds."]


def _silence_broken(scene: Scene) -> list[str]:
    about = clean(scene.item.about)
    return [happening_in(scene), f"It sounds although it is {about}" if about else ""]


def _unexpected(scene: Scene) -> list[str]:
    about, finding = clean(scene.item.about), scene.finding
    if about and finding is not None and clean(finding.label) in about:
        label = clean(finding.label)  # in full below; a lock screen has no room for it twice
        return [about.replace(label, short_label(label))]  # it says already which drive left
    return [about, happening_in(scene)]


def _work_overruns(scene: Scene) -> list[str]:
    about = clean(scene.item.about)
    step = "put back what is out; where a rebuild runs, let it finish and announce more time"
    return [about or "Not everything is back.", f"Next: {step}: midwatch maintenance begin"]


def _work_ended(scene: Scene) -> list[str]:
    lines = [said for line in scene.item.about.splitlines() if (said := clean(line))]
    return lines or ["Nobody said what came of it."]


def _who(scene: Scene) -> str:
    """Say who took the case."""
    return clean(scene.item.about) or "somebody"


def _their_answer(scene: Scene) -> Answer | None:
    """Give the last answer of the person of whom the message speaks; others may answer too."""
    answers = scene.case.answers if scene.case is not None else ()
    return next((a for a in reversed(answers) if a.by == scene.item.about), None)


def _taken(scene: Scene) -> list[str]:
    """Say who has it, until when."""
    answer = _their_answer(scene)
    who = _who(scene)
    if answer is None:
        return [f"{who} has it; you need not act."]
    lines = [f"{who} has it until {scene.when(answer.until)}; you need not act."]
    if answer.note:
        lines.append(f"Note: {clean(answer.note)}")
    return lines


def _eased(scene: Scene) -> list[str]:
    """Say that what woke people is over, and what is left of the case."""
    extras = scene.extras
    over = "What was urgent is over."
    if extras.protection is Protection.WHOLE and scene.was_short:
        over = f"{scene.pool} has its full margin again."
    left = scene.finding
    if left is None:
        return [over]
    soon = WHEN[left.urgency].lower()
    return [over, f"Left, {soon}: {happening_in(scene)}"]


def _over(scene: Scene) -> list[str]:
    """Say that a case is over, after how long, and what proved it."""
    lasted = scene.extras.lasted
    if lasted is None and scene.case is not None and scene.case.closed_at is not None:
        lasted = scene.case.closed_at - scene.case.opened_at
    after = f"Over after {say_long(lasted)}." if lasted is not None else "It is over."
    proof = clean(scene.extras.proof)
    if not proof and scene.extras.protection is Protection.WHOLE:
        proof = f"{scene.pool} has its full margin again."
    finding = scene.case.gravest if scene.case is not None and scene.case.held else None
    was = f"It was: {in_short(finding, finding.sentence)}" if finding is not None else ""
    if not proof:
        proof = "What it was about is no longer seen."
    return [f"{after} {proof}".strip(), was]


def _digest(scene: Scene) -> list[str]:
    """Say what is watched and how the pools stand."""
    seen = scene.extras.watched
    proves = "That you read this shows that messages reach you."
    if seen is None:
        return ["What is watched is not known yet.", proves]
    counts = [say_count(seen.boxes, "box", "boxes")] if seen.boxes else []
    counts += [say_count(seen.drives, "drive"), say_count(len(seen.pools), "pool")]
    if seen.open_cases:
        counts.append(say_count(seen.open_cases, "open case"))
    if seen.notes:
        counts.append(say_count(len(seen.notes), "note"))
    first = ", ".join(counts) + "."
    if seen.blind:
        first += f" {say_count(len(seen.blind), 'thing')} we cannot see."
    order = sorted(seen.pools, key=lambda p: _WORST_FIRST.index(p.protection))
    lines = [f"{cut(p.name, 40)}: {_say_margin(p)}" for p in order[:ITEMS_SHOWN]]
    if len(order) > ITEMS_SHOWN:
        lines.append(f"and {say_count(len(order) - ITEMS_SHOWN, 'more pool')}")
    lines += [f"Cannot see: {cut(text, 120)}" for text in seen.blind[:2]]
    lines += [f"Note: {cut(text, 120)}" for text in seen.notes[:2]]
    if seen.last_survey_at is not None:
        lines.append(f"Last look: {scene.when(seen.last_survey_at)}.")
    return [first, *lines, proves]


_WORST_FIRST = (
    Protection.BROKEN,
    Protection.BARE,
    Protection.UNKNOWN,
    Protection.THINNED,
    Protection.WHOLE,
)


def _say_margin(pool: PoolLine) -> str:
    """Say how many more drives a pool can lose."""
    match pool.protection:
        case Protection.BROKEN:
            return "broken, data is lost or out of reach"
        case Protection.UNKNOWN:
            return "margin not known"
        case Protection.BARE:
            return "no margin, the next loss costs data"
        case Protection.THINNED | Protection.WHOLE:
            full = f" of {pool.full_margin}" if pool.full_margin is not None else ""
            short = "" if pool.protection is Protection.WHOLE else ", not full"
            return f"margin {pool.margin}{full}{short}"


_OPENINGS: dict[NoticeKind, Callable[[Scene], list[str]]] = {
    NoticeKind.OPENED: _opened,
    NoticeKind.WORSENED: _opened,
    NoticeKind.ADDED: _opened,
    NoticeKind.RETURNED: _returned,
    NoticeKind.REMINDER: _reminder,
    NoticeKind.TAKEN: _taken,
    NoticeKind.ANSWER_ENDED: _answer_ended,
    NoticeKind.HANDED_OVER: _handed_over,
    NoticeKind.SILENCE_ENDED: _silence_ended,
    NoticeKind.SILENCE_BROKEN: _silence_broken,
    NoticeKind.UNEXPECTED: _unexpected,
    NoticeKind.WORK_OVERRUNS: _work_overruns,
    NoticeKind.WORK_ENDED: _work_ended,
    NoticeKind.EASED: _eased,
    NoticeKind.ALL_CLEAR: _over,
    NoticeKind.DIGEST: _digest,
}
