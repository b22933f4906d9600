from typing import Any

from tests.rules.build import T0, view
from watcher.service.settings_shape import Config
from watcher.service.upkeep_hook import upkeep_here
from watcher.store.database import open_memory


def config(**more: Any) -> Config:
    return Config.model_validate({"upkeep": more} if more else {})


def test_nothing_is_done_unless_the_owner_switched_it_on() -> None:
    said: list[str] = []
    upkeep_here(config(), here=True).after(open_memory(now=T0), view().survey, T0, said.append)
    assert said == []


def test_a_desk_without_the_devices_begins_nothing_on_them() -> None:
    hook = upkeep_here(config(enabled="yes"), here=False)
    assert hook._upkeep is None
    hook.renew(config(enabled="yes"))
    assert hook._upkeep is None


def test_new_settings_hold_from_the_next_look_on() -> None:
    hook = upkeep_here(config(), here=True)
    hook.renew(config(enabled="yes", self_tests_at_once="2"))
    assert hook._upkeep is not None
    assert hook._upkeep.calendar.self_tests_at_once == 2
