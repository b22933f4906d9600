"""The words of the rules in ``blindness.py`` go with its functions."""

from __future__ import annotations

import inspect

from watcher.rules import blindness
from watcher.rules.blindness_words import RULES


def test_each_rule_function_of_the_module_has_its_words() -> None:
    """None is forgotten, none is named twice."""
    checks = [rule.check for rule in RULES]
    written = {
        value
        for value in vars(blindness).values()
        if inspect.isfunction(value)
        and value.__module__ == blindness.__name__
        and list(inspect.signature(value).parameters) == ["view", "tuning"]
    }
    assert len(checks) == len(set(checks))
    assert set(checks) == written
