"""The words of the rules in ``pool.py`` and ``rebuild.py`` go with their functions."""

from __future__ import annotations

import inspect

from watcher.rules import pool, rebuild
from watcher.rules.pool_words import RULES


def test_each_rule_function_of_the_modules_has_its_words() -> None:
    """None is forgotten, none is named twice."""
    checks = [rule.check for rule in RULES]
    written = {
        value
        for module in (pool, rebuild)
        for value in vars(module).values()
        if inspect.isfunction(value)
        and value.__module__ == module.__name__
        and list(inspect.signature(value).parameters) == ["view", "tuning"]
    }
    assert len(checks) == len(set(checks))
    assert set(checks) == written
