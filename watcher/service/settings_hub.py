"""The settings about many boxes: the hub of this box, and the hub that runs here."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from watcher.facts.finding import Urgency
from watcher.service.settings_types import (
    Address,
    File,
    HoursSettings,
    Line,
    ListensAt,
    Name,
    SecretPlace,
    Section,
    Whole,
)


class HubSettings(Section):
    """The hub to which this box hands its surveys over."""

    url: Address = ""
    ca_file: File = ""
    alone_after_minutes: Annotated[Whole, Field(ge=5, le=600)] = 60
    keep_mib: Annotated[Whole, Field(ge=1, le=4096)] = 64
    mask_serials: bool = False
    mask_names: bool = False


class ClientSettings(Section):
    """One client whose boxes are watched here."""

    name: Line
    people: tuple[Name, ...] = ()
    hears: tuple[Urgency, ...] = ()
    sees_notes: bool = False
    quiet: tuple[HoursSettings, ...] = ()


class ShopSettings(Section):
    """The hub that runs here."""

    url: Address = ""
    listen_address: ListensAt = "127.0.0.1"
    listen_port: Annotated[Whole, Field(ge=1, le=65535)] = 8378
    certificate_file: File = ""
    key_file: File = ""
    quiet_after_minutes: Annotated[Whole, Field(ge=5, le=7 * 24 * 60)] = 45
    processes: Annotated[Whole, Field(ge=1, le=16)] = 1
    store: SecretPlace = SecretPlace()
    clients: tuple[ClientSettings, ...] = ()
