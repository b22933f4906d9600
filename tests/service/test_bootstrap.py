"""The parts are put together as the settings say."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from watcher.facts.pool import AtStake, Role
from watcher.rules.catalogue import CATALOGUE
from watcher.service.bootstrap import (
    box_of,
    load_settings,
    load_to_begin,
    rule_names,
    to_looking,
    to_standing,
    zone_of,
)
from watcher.service.errors import ConfigError
from watcher.service.settings import usual_settings
from watcher.service.state import open_state, store_path

SETTINGS = """
box_name: attic
zone: Europe/Vienna
state_directory: {state}
survey:
  drive_timeout_seconds: 30
kernel_log:
  source: none
drives:
  - serial: X1
    bay: "3"
pools:
  - name: meadow
    drives: [X1, X2]
    parity_drives: [X3]
    may_lose: 1
    at_stake: member
people:
  - name: ada
"""


def settings(folder: Path, text: str = SETTINGS) -> Path:
    path = folder / "midwatch.yaml"
    path.write_text(text.format(state=folder / "state"), encoding="utf-8")
    return path


def test_looking_follows_the_settings(tmp_path: Path) -> None:
    config = load_settings(str(settings(tmp_path)), {})
    looking = to_looking(config)
    assert looking.box == box_of(config) == "attic"
    assert [(t.serial, t.bay) for t in looking.told] == [("X1", "3")]
    assert looking.limit_seconds == 30.0
    assert looking.kernel_log == "none"
    (pool,) = looking.declared
    assert (pool.name, pool.bears, pool.at_stake) == ("meadow", 1, AtStake.MEMBER)
    assert [(m.name, m.role) for m in pool.members] == [
        ("X1", Role.DATA),
        ("X2", Role.DATA),
        ("X3", Role.PARITY),
    ]


def test_the_desk_works_by_the_settings(tmp_path: Path) -> None:
    config = load_settings(str(settings(tmp_path)), {})
    standing = to_standing(config)
    assert [p.name for p in standing.policy.people] == ["ada"]
    assert standing.plan.zone == zone_of(config)
    assert standing.page_url == ""


def test_the_state_is_made_where_the_settings_say(tmp_path: Path) -> None:
    config = load_settings(str(settings(tmp_path)), {})
    with open_state(config, datetime(2026, 3, 2, tzinfo=UTC), check=True) as store:
        assert store.path == store_path(config)
    assert store_path(config).stat().st_mode & 0o007 == 0
    assert store_path(config).parent.stat().st_mode & 0o007 == 0


def test_names_of_rules_are_checked_against_the_catalogue(tmp_path: Path) -> None:
    assert set(rule_names()) == set(CATALOGUE)
    text = "rules:\n  off:\n    - rule: no-such-rule\n"
    with pytest.raises(ConfigError) as told:
        load_settings(str(settings(tmp_path, text)), {})
    assert "no-such-rule" in str(told.value)


def test_a_watch_begins_with_what_may_be_meant_and_says_it(tmp_path: Path) -> None:
    path = str(settings(tmp_path, "box_name: attic #1\n"))
    begun, said = load_to_begin(path, {})
    assert begun.box_name == "attic"
    assert "may not be meant so" in said
    assert "line 1: box_name" in said
    path = str(settings(tmp_path, "box_name: attic\n"))
    assert load_to_begin(path, {})[1] == ""
    with pytest.raises(ConfigError):
        load_to_begin(str(settings(tmp_path, "box_name: attic #1\nzon: UTC\n")), {})


def test_a_file_that_is_given_is_used() -> None:
    assert usual_settings("here.yaml") == "here.yaml"
