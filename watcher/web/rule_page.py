"""The rules in plain words: what each looks at, with which numbers, from which source."""

from __future__ import annotations

from watcher.facts.identity import BoxId
from watcher.rules.catalogue import CATALOGUE
from watcher.rules.rule import Kind
from watcher.rules.tuning import Target
from watcher.web.ask import Ask, Reply, not_found
from watcher.web.site import Site, draw

_TITLES = {
    Kind.DRIVE: "About drives",
    Kind.POOL: "About pools",
    Kind.SIGHT: "About what cannot be seen",
    Kind.WATCH: "About the watch itself",
}


def rules(site: Site, ask: Ask) -> Reply:
    """List all rules."""
    kinds = list(dict.fromkeys(rule.kind for rule in CATALOGUE.values()))
    groups = [
        (
            _TITLES.get(kind, f"About {kind.value}"),
            [rule for rule in CATALOGUE.values() if rule.kind is kind],
        )
        for kind in kinds
    ]
    # rules of the shop's own may name boxes and drives of anybody
    own = () if ask.who.client else site.terms.standing.tuning.own
    return draw(site, ask, "rules.html", {"groups": groups, "own": own})


def rule(site: Site, ask: Ask) -> Reply:
    """Explain one rule."""
    found = CATALOGUE.get(ask.parts["name"])
    if found is None:
        raise not_found("rule of that name")
    tuning, anywhere = site.terms.standing.tuning, Target(box=BoxId(""))
    thresholds = [(t, t.of(tuning, found.name, anywhere)) for t in found.thresholds]
    return draw(site, ask, "rule.html", {"rule": found, "thresholds": thresholds})
