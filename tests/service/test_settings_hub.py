"""The settings of the hub: sensible without a word, checked when given."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from watcher.facts.finding import Urgency
from watcher.service.settings_hub import ClientSettings, HubSettings, ShopSettings


def test_without_a_word_there_is_no_hub_and_nothing_listens_to_the_world() -> None:
    assert HubSettings().url == ""
    assert ShopSettings().listen_address == "127.0.0.1"
    assert ClientSettings(name="Harbour").hears == ()


def test_what_is_out_of_range_is_refused() -> None:
    for wrong in ({"alone_after_minutes": 1}, {"keep_mib": 0}, {"url": "hub.example.org"}):
        with pytest.raises(ValidationError):
            HubSettings.model_validate(wrong)
    with pytest.raises(ValidationError):
        ShopSettings.model_validate({"listen_port": 0})


def test_clients_hear_what_is_written() -> None:
    found = ClientSettings.model_validate({"name": "Harbour", "hears": ["now"]})
    assert found.hears == (Urgency.NOW,)
