from watcher.rules.catalogue import CATALOGUE, Kind
from watcher.rules.readiness_words import RULES


def test_every_rule_of_readiness_is_in_the_catalogue_under_its_kind() -> None:
    assert RULES
    assert all(CATALOGUE[rule.name] is rule for rule in RULES)
    assert {rule.kind for rule in RULES} == {Kind.READINESS}


def test_no_rule_of_readiness_promises_more_than_this_week() -> None:
    assert not [r.name for r in RULES if "today" in r.urgency or "now" in r.urgency.split()]
