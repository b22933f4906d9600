"""Upkeep as the watch sees it: light while it is off, for a desk without devices stays small."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING

from watcher.facts.survey import Survey
from watcher.service.bootstrap import to_upkeep
from watcher.service.settings_shape import Config
from watcher.store.database import Store

if TYPE_CHECKING:
    from watcher.service.upkeep import Upkeep


class UpkeepHook:
    """Keeps a box up after each look; does nothing while the owner has not switched it on."""

    def __init__(self, upkeep: Upkeep | None, *, here: bool) -> None:
        """``here``: the devices are at hand. A desk without them begins nothing on them."""
        self._here = here
        self._upkeep = upkeep

    def renew(self, config: Config) -> None:
        """Go by new settings."""
        self._upkeep = to_upkeep(config) if self._here else None

    def after(
        self, store: Store, survey: Survey, now: datetime, say: Callable[[str], None]
    ) -> None:
        """Do what is due after a look, and say it."""
        if self._upkeep is None:
            return
        from watcher.readers.runner import RealHost  # noqa: PLC0415 - loaded only when it is on
        from watcher.service.upkeep import after_look  # noqa: PLC0415 - as above

        for sentence in after_look(RealHost(), store, survey, now, self._upkeep):
            say(sentence)


def upkeep_here(config: Config, *, here: bool) -> UpkeepHook:
    """Give what is run after each look."""
    hook = UpkeepHook(None, here=here)
    hook.renew(config)
    return hook
