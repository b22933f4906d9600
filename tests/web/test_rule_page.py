from __future__ import annotations

import pytest

from tests.web.browser import Browser
from tests.web.stage import WORSE, stage_at
from watcher.rules.catalogue import CATALOGUE

BROWSER = Browser(stage_at(WORSE).site)
BROWSER.sign_in("lou")


def test_every_rule_is_in_the_list() -> None:
    text = BROWSER.get("/rules").text
    assert [name for name in CATALOGUE if f'href="/rules/{name}"' not in text] == []


@pytest.mark.parametrize("name", CATALOGUE)
def test_every_rule_has_a_page_with_its_numbers_and_sources(name: str) -> None:
    page = BROWSER.get(f"/rules/{name}")
    assert page.status == 200
    rule = CATALOGUE[name]
    for threshold in rule.thresholds:
        assert f'id="{threshold.name}"' in page.text
    assert page.text.count("<li>") >= len(rule.sources)


def test_there_is_no_rule_of_another_name() -> None:
    assert BROWSER.get("/rules/nothing-of-ours").status == 404
