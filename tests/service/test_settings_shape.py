"""Types of the settings: ranges, frozen values, no two ways to write a thing."""

from __future__ import annotations

from datetime import datetime, time
from typing import Any

import pytest
from pydantic import ValidationError

from watcher.notify.secret import Secret
from watcher.service.settings_shape import Config, DriveSettings, HoursSettings, TargetSettings


def test_settings_cannot_be_changed_once_read() -> None:
    config = Config()
    with pytest.raises(ValidationError):
        config.box_name = "x"  # type: ignore[misc]


@pytest.mark.parametrize(
    ("text", "clock"), [("22:30", time(22, 30)), ("7:05", time(7, 5)), ("00:00", time(0))]
)
def test_a_time_of_day_is_hours_and_minutes(text: str, clock: time) -> None:
    hours = HoursSettings.model_validate({"begin": text, "end": "23:59"})
    assert hours.begin == clock


@pytest.mark.parametrize("text", ["24:00", "7", "7:5", "07:00:00", "noon", "-1:00", "٠٧:٠٠"])
def test_anything_else_is_no_time_of_day(text: str) -> None:
    with pytest.raises(ValidationError, match="time of day"):
        HoursSettings.model_validate({"begin": text, "end": "23:59"})


def test_weekdays_are_named() -> None:
    hours = HoursSettings.model_validate(
        {"begin": "1:00", "end": "2:00", "weekdays": ["mon", "Sunday", "WED"]}
    )
    assert hours.weekdays == (0, 6, 2)
    with pytest.raises(ValidationError, match="mon, tue"):
        HoursSettings.model_validate({"begin": "1:00", "end": "2:00", "weekdays": ["funday"]})


@pytest.mark.parametrize("kind", ["sat", "megaraid,4", "sat+megaraid,4", "nvme", "usbjmicron,x"])
def test_every_way_to_address_a_drive_can_be_written(kind: str) -> None:
    made = DriveSettings.model_validate({"node": "/dev/sda", "device_type": kind})
    assert made.device_type == kind


@pytest.mark.parametrize("kind", ["-x", "sat; rm", "a b", "$(x)"])
def test_what_is_no_device_type_is_refused(kind: str) -> None:
    with pytest.raises(ValidationError, match="option -d"):
        DriveSettings.model_validate({"node": "/dev/sda", "device_type": kind})


def test_an_address_is_a_secret_from_the_first_moment() -> None:
    made = TargetSettings.model_validate({"name": "phone", "url": "ntfy://host/hushword"})
    assert made.url == Secret("ntfy://host/hushword")
    assert "hushword" not in repr(made)


@pytest.mark.parametrize("away", ["2031-08-01", "2031-08-01 08:00", "2031-08-01T08:00:00+02:00"])
def test_a_moment_is_a_day_or_a_day_with_a_time(away: str) -> None:
    config = Config.model_validate({"people": [{"name": "Ana", "away_until": away}]})
    assert isinstance(config.people[0].away_until, datetime)


@pytest.mark.parametrize("given", [{"nope": 1}, {"survey": {"nope": 1}}])
def test_an_unknown_key_is_an_error_everywhere(given: dict[str, Any]) -> None:
    with pytest.raises(ValidationError, match="Extra inputs"):
        Config.model_validate(given)
