"""The catalogue of rules, and the one function that runs them all."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Final

from watcher.facts.finding import Finding
from watcher.facts.identity import BoxId, DriveId, PoolId, SubjectKind
from watcher.rules import (
    blindness_words,
    combined,
    drive,
    flash,
    kernel,
    log,
    patience,
    pool_words,
    readiness_words,
    surface,
    thin,
    upkeep_words,
    watch_itself,
)
from watcher.rules.asking import Asking
from watcher.rules.look import PerDrive
from watcher.rules.own import own_findings
from watcher.rules.rule import Kind, Rule
from watcher.rules.tuning import Target, Threshold, Tuning
from watcher.rules.view import View

__all__ = ["CATALOGUE", "Kind", "Rule", "Threshold", "explain", "judge"]


def _by_name(*groups: tuple[Rule, ...]) -> Mapping[str, Rule]:
    """Put rules under their names; ValueError when two have the same."""
    named: dict[str, Rule] = {}
    for rule in (rule for group in groups for rule in group):
        if rule.name in named:
            raise ValueError(f"two rules are called {rule.name!r}")
        named[rule.name] = rule
    return MappingProxyType(named)


CATALOGUE: Final[Mapping[str, Rule]] = _by_name(
    surface.RULES,
    drive.RULES,
    flash.RULES,
    kernel.RULES,
    log.RULES,
    patience.RULES,
    pool_words.RULES,
    upkeep_words.RULES,
    thin.RULES,
    combined.RULES,
    blindness_words.RULES,
    readiness_words.RULES,
    watch_itself.RULES,
)


_ASKING: Final = Asking(CATALOGUE.values())
_OTHERS: Final = tuple(rule for rule in CATALOGUE.values() if not isinstance(rule.check, PerDrive))


def targets_of(view: View, finding: Finding) -> tuple[Target, ...]:
    """Give all that a scope of the settings can name for a finding.

    A finding about a drive is about that drive; one about a pool is about the pool, not about each
    of its members, so that switching a rule off for one drive never hides its pool's trouble.
    """
    if finding.subject.kind is SubjectKind.DRIVE:
        drive_id = DriveId(finding.subject.key)
        target = view.target_of(drive_id)
        others = view.pools_of(drive_id)[1:]
        return (target, *(replace(target, pool=p.pool, pool_name=p.name) for p in others))
    if finding.subject.kind is SubjectKind.POOL:
        return (view.target_of_pool(PoolId(finding.subject.key)),)
    return (Target(box=view.survey.box),)


def judge(view: View, tuning: Tuning) -> tuple[Finding, ...]:
    """Run all rules, the owner's too: what holds now, gravest first, always in the same order."""
    found = list(_ASKING.findings(view, tuning))
    for rule in _OTHERS:
        found += rule.check(view, tuning)
    found += own_findings(view, tuning)
    if tuning.off:
        found = [
            finding
            for finding in found
            if not any(tuning.is_off(finding.rule, t) for t in targets_of(view, finding))
        ]
    return tuple(
        sorted(found, key=lambda f: (-f.urgency.rank, f.rule, f.subject.kind, f.subject.key))
    )


_NO_BOX: Final = BoxId("")


def explain(rule: Rule, tuning: Tuning) -> str:
    """Tell an owner everything about one rule, with its thresholds as they hold everywhere."""
    nowhere = Target(box=_NO_BOX)
    lines = [f"{rule.name}: {rule.sentence}", ""]
    lines += [f"  reads        {', '.join(rule.reads)}"]
    for threshold in rule.thresholds:
        value = threshold.of(tuning, rule.name, nowhere)
        changed = "" if value == threshold.value else f" (as shipped: {threshold.value:g})"
        unit = threshold.unit.removesuffix("s") if value == 1 else threshold.unit
        lines.append(f"  threshold    {threshold.name} = {value:g} {unit}{changed}")
        lines.append(f"               from: {threshold.source}")
    lines += [
        f"  urgency      {rule.urgency}",
        f"  what to do   {rule.what_to_do}",
        f"  usual cause  {rule.usual_cause}",
        f"  quiet when   {rule.quiet_when}",
    ]
    lines += [f"  source       {source}" for source in rule.sources]
    return "\n".join(lines)
