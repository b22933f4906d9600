"""Rules that an owner wrote, run like the rest."""

from __future__ import annotations

from collections.abc import Iterator

from watcher.facts.finding import Finding
from watcher.rules.look import Found, Look, fact, finding_about, looks, steps
from watcher.rules.tuning import Compare, OwnRule, Tuning
from watcher.rules.view import View


def holds(rule: OwnRule, look: Look) -> bool:
    """Tell whether an owner's rule holds for a drive; an unknown value never holds."""
    value = look.metrics.get(rule.metric)
    if value is None:
        return False
    if rule.compare is Compare.OVER:
        return value > rule.value
    if rule.compare is Compare.UNDER:
        return value < rule.value
    rise = look.rise(rule.metric, rule.within) if rule.within is not None else None
    return rise is not None and rise >= rule.value


def own_findings(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Run the owner's rules over all drives that were read."""
    for rule in sorted(tuning.own, key=lambda r: r.name):
        for look in looks(view, tuning):
            if not rule.where.covers(look.target) or not holds(rule, look):
                continue
            value = look.metrics[rule.metric]
            found = Found(
                urgency=rule.urgency,
                sentence=rule.sentence,
                next_step=rule.next_step,
                evidence=(fact(rule.metric.value, value, look.trace(rule.metric)),),
                bears_on_margin=False,  # the owner chose the urgency
                level=steps(value / rule.value) if rule.value > 0 else 1,
            )
            yield finding_about(view, rule.name, look.reading.identity.drive, found)
