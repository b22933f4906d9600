"""The JSON addresses: they answer as their description says, and take what it says."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.web.browser import Browser, Page
from tests.web.hub_stage import hub_stage
from tests.web.stage import COMPARED, OVER, REBUILDING, Stage, stage_at
from watcher.store.accounts import ProgramToken, Role
from watcher.web.one_time import fingerprint
from watcher.web.openapi import PATHS, SHAPES

HEADERS = {"authorization": "Bearer tok"}


def fits(value: Any, shape: dict[str, Any], where: str = "answer") -> None:
    """Hold a value against a schema, as far as our own document uses the words of JSON Schema."""
    if "$ref" in shape:
        fits(value, SHAPES[shape["$ref"].rpartition("/")[2]], where)
    elif "anyOf" in shape:
        assert value is None or shape["anyOf"][1] == {"type": "null"}
        if value is not None:
            fits(value, shape["anyOf"][0], where)
    elif shape["type"] == "object":
        assert isinstance(value, dict), where
        assert set(value) == set(shape["properties"]), where
        for name, inner in shape["properties"].items():
            fits(value[name], inner, f"{where}.{name}")
    elif shape["type"] == "array":
        assert isinstance(value, list), where
        for number, one in enumerate(value):
            fits(one, shape["items"], f"{where}[{number}]")
    else:
        kinds: dict[str, Any] = {
            "string": str,
            "integer": int,
            "number": (int, float),
            "boolean": bool,
        }
        assert isinstance(value, kinds[shape["type"]]), (where, value)
        assert not (isinstance(value, bool) and shape["type"] == "integer"), where
        assert "enum" not in shape or value in shape["enum"], (where, value)
        assert "minimum" not in shape or value >= shape["minimum"], (where, value)
        if shape.get("format") == "date-time":
            assert datetime.fromisoformat(value).tzinfo is not None, where


def with_token(scenes: int, role: Role = Role.ACT) -> tuple[Stage, Browser]:
    stage = stage_at(scenes)
    with stage.store.transaction() as tx:
        tx.save_token(
            ProgramToken(
                name="panel", hash=fingerprint("tok"), role=role, made_at=stage.clock.now()
            )
        )
    return stage, Browser(stage.site)


def number_in(stage: Stage) -> int:
    """Give the number of a case that is there, open ones first."""
    with stage.store.snapshot() as tx:
        found = sorted(tx.list_cases(stage.site.box), key=lambda c: (not c.is_open, c.only_notes))
    return found[0].number


def said(browser: Browser, path: str, body: object) -> Page:
    return browser.ask(
        "POST",
        path,
        body=json.dumps(body).encode(),
        headers=HEADERS | {"content-type": "application/json"},
    )


@pytest.mark.parametrize("scenes", [COMPARED, REBUILDING, OVER])
@pytest.mark.parametrize(
    "path", [p for p, ways in PATHS.items() if "get" in ways and p.startswith("/api")]
)
def test_every_answer_is_of_the_shape_that_the_document_gives(scenes: int, path: str) -> None:
    stage, browser = with_token(scenes)
    page = browser.get(
        path.replace("{number}", str(number_in(stage)))
        + ("?all=yes" if path == "/api/cases" else ""),
        headers=HEADERS,
    )
    assert page.status == 200
    shape = PATHS[path]["get"]["responses"]["200"]["content"]["application/json"]["schema"]
    fits(json.loads(page.text), shape)


def test_a_refusal_has_its_shape_too() -> None:
    stage, browser = with_token(COMPARED)
    for page in (
        browser.get("/api/boxes"),
        browser.get("/api/cases/999", headers=HEADERS),
        said(browser, f"/api/cases/{number_in(stage)}/take", []),
    ):
        assert page.header("content-type") == "application/json"
        fits(json.loads(page.text), SHAPES["Problem"])
        assert json.loads(page.text)["status"] == page.status


def test_a_program_can_take_a_case_and_it_is_written_down_under_its_name() -> None:
    stage, browser = with_token(COMPARED)
    until = stage.clock.now() + timedelta(hours=6)
    number = stage.case_number()
    before = json.loads(browser.get(f"/api/cases/{number}", headers=HEADERS).text)
    page = said(browser, f"/api/cases/{number}/take", {"until": until.isoformat(), "note": "x"})
    assert page.status == 200
    fits(json.loads(page.text), SHAPES["Case"])
    record = json.loads(browser.get(f"/api/cases/{number}", headers=HEADERS).text)["record"]
    assert len(record) > len(before["record"])
    assert any(line["by"] == "panel" for line in record)


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ({}, 422),
        ({"until": "soon"}, 422),
        ({"until": "2026-03-08T18:00"}, 422),
        ({"until": "2020-01-01T00:00:00Z"}, 422),
        ({"until": "9999-12-31T23:59:59-23:59"}, 422),
        ({"until": 5}, 422),
        ({"until": "2026-03-08T18:00:00Z", "by": "mallory"}, 422),
        ([], 422),
        ("x", 422),
        (None, 422),
    ],
)
def test_a_body_that_is_not_right_changes_nothing(body: object, status: int) -> None:
    stage, browser = with_token(COMPARED)
    number = stage.case_number()
    before = browser.get(f"/api/cases/{number}", headers=HEADERS).text
    assert said(browser, f"/api/cases/{number}/take", body).status == status
    assert browser.get(f"/api/cases/{number}", headers=HEADERS).text == before


def test_a_body_of_another_kind_is_refused() -> None:
    stage, browser = with_token(COMPARED)
    for kind in ("text/plain", "application/x-www-form-urlencoded", "application/json5"):
        page = browser.ask(
            "POST",
            f"/api/cases/{number_in(stage)}/take",
            body=b"{}",
            headers=HEADERS | {"content-type": kind},
        )
        assert page.status == 415
    deep = b"[" * 8000
    page = browser.ask(
        "POST",
        f"/api/cases/{number_in(stage)}/take",
        body=deep,
        headers=HEADERS | {"content-type": "application/json"},
    )
    assert page.status in {400, 422}


def test_a_case_can_be_handed_to_somebody_who_is_there_only() -> None:
    stage, browser = with_token(COMPARED)
    assert (
        said(browser, f"/api/cases/{number_in(stage)}/hand-over", {"to": "mallory"}).status == 422
    )


def test_the_moments_are_aware_and_the_urgency_is_ours() -> None:
    _, browser = with_token(COMPARED)
    (case,) = [
        c
        for c in json.loads(browser.get("/api/cases", headers=HEADERS).text)
        if not c["only_notes"]
    ]
    assert datetime.fromisoformat(case["opened_at"]).astimezone(UTC).year == 2026
    assert re.fullmatch(r"now|today|this-week|note", case["urgency"])


FUZZED_STAGE, FUZZED = with_token(COMPARED)
THERE = f"/api/cases/{number_in(FUZZED_STAGE)}"
JSONS = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["until", "note", "to", "x"]), inner, max_size=4)
    ),
    max_leaves=8,
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    path=st.sampled_from([f"{THERE}/take", f"{THERE}/hand-over", "/api/cases/0/take"]),
    body=JSONS,
)
def test_no_body_makes_an_answer_fail(path: str, body: object) -> None:
    page = said(FUZZED, path, body)
    assert page.status < 500


def test_a_hub_tells_programs_whose_each_box_is_and_since_when_it_is_not_heard() -> None:
    stage = hub_stage()
    stage.pass_time(timedelta(hours=3))
    shown = {"authorization": "Bearer program-all"}
    told = json.loads(Browser(stage.site).get("/api/boxes", headers=shown).text)
    fits(told, {"type": "array", "items": SHAPES["Box"]})
    found = {one["box"]: one for one in told}
    assert found["barn"]["client"] == "Orchard Press"
    assert found["barn"]["not_heard_since"] is not None
    assert (found["old"]["is_watched"], found["barn"]["is_watched"]) == (False, True)
    assert found["workshop"]["client"] is None
