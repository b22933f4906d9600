"""The settings about readiness: what cannot be got again, and upkeep on a calendar."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from watcher.service.settings_types import Folder, HoursSettings, Line, Section, Whole, Word


class CopySettings(Section):
    """One copy of something irreplaceable, and how it is recognised."""

    name: Word
    newest_file_below: Folder | None = None
    marker_file: Folder | None = None
    command: tuple[Line, ...] = ()
    fresh_days: Annotated[Whole, Field(ge=1, le=3650)] = 7
    limit_seconds: Annotated[Whole, Field(ge=1, le=600)] = 30
    off_site: bool = False
    medium: Word | None = None

    @model_validator(mode="after")
    def _one_way(self) -> CopySettings:
        given = [
            word for word in ("newest_file_below", "marker_file", "command") if getattr(self, word)
        ]
        if len(given) != 1:
            raise ValueError("must have exactly one of newest_file_below, marker_file and command")
        return self


class IrreplaceableSettings(Section):
    """Something that cannot be got again."""

    name: Word
    paths: Annotated[tuple[Folder, ...], Field(min_length=1)]
    copies: tuple[CopySettings, ...] = ()


class UpkeepSettings(Section):
    """Scrubs and self-tests on a calendar."""

    enabled: bool = False
    scrub_every_days: Annotated[Whole, Field(ge=7, le=366)] = 30
    self_test_every_days: Annotated[Whole, Field(ge=7, le=366)] = 90
    self_tests_at_once: Annotated[Whole, Field(ge=1, le=8)] = 1
    busy: tuple[HoursSettings, ...] = ()
    stop_above_celsius: Annotated[Whole, Field(ge=30, le=90)] | None = None
