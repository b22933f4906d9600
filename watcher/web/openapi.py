"""The description of the JSON addresses: an OpenAPI 3.1 document."""

from __future__ import annotations

from typing import Any

from watcher import __version__
from watcher.facts.finding import Urgency
from watcher.facts.pool import AtStake, PoolKind, Protection, WorkKind, WorkState
from watcher.web.glance import Look

Data = dict[str, Any]


def _text(words: str = "") -> Data:
    return {"type": "string"} | ({"description": words} if words else {})


def _words(kinds: Any) -> Data:  # noqa: ANN401 - an enum
    return {"type": "string", "enum": [kind.value for kind in kinds]}


def _maybe(kind: Data) -> Data:
    return {"anyOf": [kind, {"type": "null"}]}


_MOMENT: Data = {"type": "string", "format": "date-time"}
_COUNT: Data = {"type": "integer", "minimum": 0}
_YES: Data = {"type": "boolean"}
_TEXTS: Data = {"type": "array", "items": _text()}


def _object(**fields: Data) -> Data:
    """Describe an object all of whose fields are always there."""
    return {
        "type": "object",
        "properties": fields,
        "required": list(fields),
        "additionalProperties": False,
    }


_FINDING = _object(
    rule=_text(),
    subject=_text(),
    urgency=_words(Urgency),
    sentence=_text(),
    next_step=_text(),
    since=_MOMENT,
    cleared_at=_maybe(_MOMENT),
)
_CASE: dict[str, Data] = {
    "number": _COUNT,
    "place": _text("drive:…, pool:…, source:… or box:…"),
    "label": _text(),
    "urgency": _words(Urgency),
    "is_open": _YES,
    "opened_at": _MOMENT,
    "closed_at": _maybe(_MOMENT),
    "answered_by": _maybe(_text()),
    "answered_until": _maybe(_MOMENT),
    "is_silent": _YES,
    "only_notes": _YES,
    "findings": {"type": "array", "items": _FINDING},
}
SHAPES: dict[str, Data] = {
    "Box": _object(
        box=_text(),
        client=_maybe(_text("at a hub: whose box it is")),
        is_watched=_YES | {"description": "false: it was given back; its past is kept"},
        not_heard_since=_maybe(_MOMENT | {"description": "null: it reports as it should"}),
        surveyed_at=_maybe(_MOMENT),
        open_cases=_COUNT,
        pools=_COUNT,
        drives=_COUNT,
        cannot_see=_TEXTS,
    ),
    "Pool": _object(
        pool=_text(),
        name=_text(),
        kind=_words(PoolKind),
        layout=_text(),
        protection=_words(Protection),
        margin=_maybe(_COUNT | {"description": "drives it can still lose; null: not known"}),
        full_margin=_maybe(_COUNT),
        at_stake=_words(AtStake),
        observed_at=_MOMENT,
        work=_maybe(
            _object(
                kind=_words(WorkKind),
                state=_words(WorkState),
                done_fraction=_maybe({"type": "number", "minimum": 0, "maximum": 1}),
            )
        ),
        notes=_TEXTS,
        drives=_TEXTS,
    ),
    "Drive": _object(
        drive=_maybe(_text()),
        place=_text(),
        model=_text(),
        serial=_text(),
        capacity_bytes=_maybe(_COUNT),
        look=_words(Look),
        says=_text(),
        temperature_celsius=_maybe({"type": "integer"}),
        pools=_TEXTS,
    ),
    "Case": _object(**_CASE),
    "CaseInFull": _object(
        **_CASE,
        record={
            "type": "array",
            "items": _object(at=_MOMENT, what=_text(), by=_text(), text=_text()),
        },
    ),
    "Due": _object(
        key=_text(),
        kind=_text(),
        at=_MOMENT,
        ends=_maybe(_MOMENT),
        again={"type": "array", "items": _MOMENT},
        what=_text(),
        more=_text(),
    ),
    "Problem": _object(status=_COUNT, detail=_text()),
}


def _ref(name: str) -> Data:
    return {"$ref": f"#/components/schemas/{name}"}


def _many(name: str) -> Data:
    return {"type": "array", "items": _ref(name)}


def _answers(shape: Data | None, kind: str) -> Data:
    good: Data = {"description": "done"}
    good["content"] = {kind: {"schema": shape if shape is not None else {"type": "string"}}}
    problem = {
        "description": "not done",
        "content": {"application/json": {"schema": _ref("Problem")}},
    }
    return {"200": good, "default": problem}


_BOX: Data = {
    "name": "box",
    "in": "query",
    "required": False,
    "description": "which box; may be left out where there is only one",
    "schema": {"type": "string", "maxLength": 200},
}
_NUMBER: Data = {
    "name": "number",
    "in": "path",
    "required": True,
    "schema": {"type": "integer", "minimum": 0, "maximum": 999999999},
}
_ALL: Data = {
    "name": "all",
    "in": "query",
    "required": False,
    "description": "yes: also those that are over",
    "schema": {"type": "string", "enum": ["yes", "no"]},
}


def _get(words: str, shape: Data | None, *inputs: Data, kind: str = "application/json") -> Data:
    return {
        "get": {"summary": words, "parameters": list(inputs), "responses": _answers(shape, kind)}
    }


def _post(words: str, shape: Data, body: Data, *inputs: Data) -> Data:
    return {
        "post": {
            "summary": words,
            "parameters": list(inputs),
            "requestBody": {"required": True, "content": {"application/json": {"schema": body}}},
            "responses": _answers(shape, "application/json"),
        }
    }


def _body(required: str, **fields: Data) -> Data:
    return {
        "type": "object",
        "properties": fields | {"note": {"type": "string", "maxLength": 500}},
        "required": [required],
        "additionalProperties": False,
    }


PATHS: Data = {
    "/api/boxes": _get("the boxes", _many("Box")),
    "/api/pools": _get("the pools of a box, least protected first", _many("Pool"), _BOX),
    "/api/drives": _get("the drives of a box", _many("Drive"), _BOX),
    "/api/cases": _get("the cases of a box, newest first", _many("Case"), _BOX, _ALL),
    "/api/cases/{number}": _get("one case with its record", _ref("CaseInFull"), _NUMBER, _BOX),
    "/api/cases/{number}/take": _post(
        "take a case until a time (needs the role act)",
        _ref("Case"),
        _body("until", until=_MOMENT),
        _NUMBER,
        _BOX,
    ),
    "/api/cases/{number}/hand-over": _post(
        "give a case to somebody else (needs the role act)",
        _ref("Case"),
        _body("to", to={"type": "string", "maxLength": 100}),
        _NUMBER,
        _BOX,
    ),
    "/api/due": _get("what falls due on a box, soonest first", _many("Due"), _BOX),
    "/metrics": _get("the state as OpenMetrics", None, kind="application/openmetrics-text"),
    "/calendar.ics": _get("what falls due as a calendar (RFC 5545)", None, kind="text/calendar"),
}


def document(public_url: str) -> Data:
    """Give the whole document."""
    made: Data = {
        "openapi": "3.1.0",
        "info": {
            "title": "midwatch",
            "version": __version__,
            "description": "Drives, pools and cases of the boxes that are watched.",
        },
        "security": [{"token": []}],
        "paths": PATHS,
        "components": {
            "schemas": SHAPES,
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
        },
    }
    if public_url:
        made["servers"] = [{"url": public_url}]
    return made
