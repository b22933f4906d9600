"""Clients in the settings: a name that nobody bears must never make somebody one of the shop's."""

from __future__ import annotations

from datetime import time

from watcher.service.settings_clients import check_clients
from watcher.service.settings_hub import ClientSettings, ShopSettings
from watcher.service.settings_shape import Config, LadderSettings, PersonSettings, RungSettings
from watcher.service.settings_types import HoursSettings


def faults(config: Config) -> list[tuple[tuple[str | int, ...], str]]:
    found: list[tuple[tuple[str | int, ...], str]] = []

    def note(
        path: tuple[str | int, ...], wrong: str, right: str = "", *, may_be_meant: bool = False
    ) -> None:
        del right, may_be_meant
        found.append((path, wrong))

    check_clients(config, note)
    return found


def config(*clients: ClientSettings, ladder: str = "") -> Config:
    rungs = (RungSettings(people=("sam",), wait_minutes=5),)
    return Config(
        people=tuple(PersonSettings(name=name) for name in ("sam", "ann", "bob")),
        ladders=(LadderSettings(rungs=rungs, clients=(ladder,)),) if ladder else (),
        shop=ShopSettings(clients=clients),
    )


def test_clients_that_hold_together_have_no_fault() -> None:
    harbour = ClientSettings(name="Harbour", people=("ann",))
    assert faults(config(harbour, ClientSettings(name="Orchard"), ladder="Harbour")) == []


def test_a_name_under_a_client_that_nobody_bears_is_a_fault() -> None:
    (found,) = faults(config(ClientSettings(name="Harbour", people=("Ann",))))
    assert found[0] == ("shop", "clients", 0, "people", 0)
    assert '"Ann"' in found[1]


def test_a_person_is_of_one_client_only() -> None:
    one = ClientSettings(name="Harbour", people=("ann",))
    two = ClientSettings(name="Orchard", people=("bob", "ann"))
    assert faults(config(one, two)) == [
        (("shop", "clients", 1, "people", 1), '"ann" is of Harbour already')
    ]


def test_a_ladder_for_a_client_that_is_none_and_hours_of_no_length_are_faults() -> None:
    empty = HoursSettings(begin=time(8), end=time(8))
    found = faults(config(ClientSettings(name="Harbour", quiet=(empty,)), ladder="Harbor"))
    assert [path for path, _ in found] == [
        ("shop", "clients", 0, "quiet", 0, "end"),
        ("ladders", 0, "clients", 0),
    ]


def test_a_shop_of_which_everybody_is_a_clients_is_a_fault() -> None:
    """Nobody would hear of the hub itself, nor of another client's boxes."""
    (found,) = faults(config(ClientSettings(name="Harbour", people=("sam", "ann", "bob"))))
    assert found == (("people",), "everybody is of a client, so nobody hears for the shop")
