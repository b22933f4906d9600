"""The settings of readiness, and that the rules go by the calendar's terms."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from watcher.facts.identity import BoxId
from watcher.rules.catalogue import CATALOGUE
from watcher.rules.tuning import Target
from watcher.service.settings import to_tuning
from watcher.service.settings_ready import CopySettings, IrreplaceableSettings, UpkeepSettings
from watcher.service.settings_shape import Config

HERE = Target(box=BoxId("attic"))


def value(config: Config, rule: str, threshold: str) -> float:
    return CATALOGUE[rule].threshold(threshold).of(to_tuning(config), rule, HERE)


def config(**more: Any) -> Config:
    return Config.model_validate(more)


@pytest.mark.parametrize(
    "ways",
    [
        {},
        {"marker_file": "/a", "newest_file_below": "/b"},
        {"marker_file": "/a", "command": ["/bin/x"]},
    ],
)
def test_a_copy_is_recognised_in_exactly_one_way(ways: dict[str, Any]) -> None:
    with pytest.raises(ValidationError, match="exactly one"):
        CopySettings.model_validate({"name": "nas", **ways})


def test_a_copy_is_fresh_for_a_week_unless_said_otherwise() -> None:
    copy = CopySettings.model_validate({"name": "nas", "marker_file": "/a"})
    assert (copy.fresh_days, copy.off_site, copy.limit_seconds) == (7, False, 30)


def test_something_irreplaceable_has_a_place() -> None:
    with pytest.raises(ValidationError):
        IrreplaceableSettings.model_validate({"name": "photos", "paths": []})


def test_nothing_is_run_on_the_drives_unless_it_is_switched_on() -> None:
    assert UpkeepSettings().enabled is False


def test_the_rules_ship_with_the_calendars_terms() -> None:
    """Monthly scrubs are overdue after 35 days, quarterly tests after 90 days of running."""
    plain = config()
    assert to_tuning(plain).overrides == ()
    assert value(plain, "scrub-overdue", "days") == round(UpkeepSettings().scrub_every_days * 7 / 6)
    days = UpkeepSettings().self_test_every_days
    assert value(plain, "self-test-overdue", "power-on-hours") == days * 24


def test_another_rhythm_moves_the_rules() -> None:
    slow = config(upkeep={"scrub_every_days": "90", "self_test_every_days": "180"})
    assert value(slow, "scrub-overdue", "days") == 105
    assert value(slow, "scrub-overdue", "days-late") == 315
    assert value(slow, "self-test-overdue", "power-on-hours") == 180 * 24


def test_what_the_owner_says_of_a_threshold_counts_before_the_rhythm() -> None:
    said = config(
        upkeep={"scrub_every_days": "90"},
        rules={"thresholds": [{"rule": "scrub-overdue", "threshold": "days", "value": "40"}]},
    )
    assert value(said, "scrub-overdue", "days") == 40
