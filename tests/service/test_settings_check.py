"""Objections in the owner's words."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from watcher.service.errors import Fault
from watcher.service.settings_check import cross_faults, shape_faults, without_faulty
from watcher.service.settings_shape import Config
from watcher.service.settings_text import parse_text


def objections(text: str) -> list[Fault]:
    parsed = parse_text(text)
    with pytest.raises(ValidationError) as caught:
        Config.model_validate(parsed.values)
    return list(shape_faults(caught.value, parsed))


@pytest.mark.parametrize(
    ("text", "right"),
    [
        ("surveys: {}", "did you mean survey?"),
        ("zzz: 1", "known here: box_name, cases, client, delivery"),
        ("people: [{name: A, targts: []}]", "did you mean targets?"),
        ("people: [{name: A, targets: [{name: x, urll: y}]}]", "did you mean url?"),
        ("ladders: [{rungs: [{people: [a], wait_minute: 1}]}]", "did you mean wait_minutes?"),
    ],
)
def test_an_unknown_key_names_the_nearest_known_one(text: str, right: str) -> None:
    assert any(right in fault.right for fault in objections(text))


@pytest.mark.parametrize("shown", ["url", "url_file", "url_env"])
def test_what_stands_at_a_secret_key_is_never_repeated(shown: str) -> None:
    faults = objections(f"people: [{{name: A, targets: [{{name: x, {shown}: [hushword]}}]}}]")
    assert faults
    assert "hushword" not in "".join(str(fault) for fault in faults)


def test_a_long_value_is_repeated_in_part_only() -> None:
    (fault,) = objections(f"web: {{listen_port: {'9' * 300}}}")
    assert len(str(fault)) < 200


def test_what_was_objected_to_can_be_left_out_to_check_the_rest() -> None:
    text = "survey: {every_minutes: x, deep_every_hours: 3}\nbox_name: attic"
    parsed = parse_text(text)
    with pytest.raises(ValidationError) as caught:
        Config.model_validate(parsed.values)
    rest = without_faulty(caught.value, parsed.values)
    assert rest == {"survey": {"deep_every_hours": "3"}, "box_name": "attic"}
    assert parse_text(text).values == parsed.values


def test_rule_names_are_checked_only_against_a_catalogue() -> None:
    parsed = parse_text("rules: {off: [{rule: drive-gon}]}")
    config = Config.model_validate(parsed.values)
    assert cross_faults(config, parsed, None) == ()
    (fault,) = cross_faults(config, parsed, {"drive-gone": ()})
    assert (fault.key, fault.line) == ("rules.off[1].rule", 1)


def test_a_rule_of_the_owners_can_be_switched_off_too() -> None:
    parsed = parse_text(
        "rules:\n  off: [{rule: mine, box: cellar}]\n  own:\n"
        "    - {name: mine, metric: load-cycles, over: 1, urgency: note, sentence: s}\n"
    )
    assert cross_faults(Config.model_validate(parsed.values), parsed, {}) == ()
