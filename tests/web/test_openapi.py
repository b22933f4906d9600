from __future__ import annotations

import json

from tests.web.browser import Browser
from tests.web.stage import COMPARED, PUBLIC, stage_at
from watcher.web.app import WAYS
from watcher.web.ask import Needs
from watcher.web.openapi import PATHS, SHAPES, document


def test_every_address_for_programs_is_described_and_no_other() -> None:
    served = {
        (way.path.replace(":int", ""), way.method.lower())
        for way in WAYS
        if way.program and way.needs is not Needs.NOTHING
    }
    told = {(path, method) for path, ways in PATHS.items() for method in ways}
    assert served == told


def test_every_reference_leads_to_a_shape() -> None:
    text = json.dumps(document(""))
    wanted = {part.partition('"')[0] for part in text.split("#/components/schemas/")[1:]}
    assert wanted <= set(SHAPES)
    assert set(SHAPES) - wanted == set()


def test_the_document_can_be_read_by_anybody_and_names_where_it_holds() -> None:
    page = Browser(stage_at(COMPARED).site).get("/api/openapi.json")
    assert page.status == 200
    made = json.loads(page.text)
    assert made["openapi"] == "3.1.0"
    assert made["servers"] == [{"url": PUBLIC}]
    assert "servers" not in document("")
