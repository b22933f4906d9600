"""What is held beside transactions, and what that proves."""

from __future__ import annotations

from tests.store.made import NOW
from watcher.store.database import open_memory
from watcher.store.locks import key_of


def test_alone_on_a_file_a_name_is_held_and_its_loss_is_never_proven() -> None:
    with open_memory(now=NOW) as store:
        assert store.leads()
        assert store.hold("me")
        assert store.is_held("somebody else")


def test_each_name_has_a_number_of_its_own_that_a_server_takes() -> None:
    """A bigint: PostgreSQL documentation, 9.27.10, advisory lock functions."""
    numbers = {key_of(f"delivery {n}") for n in range(1000)}
    assert len(numbers) == 1000
    assert all(-(2**63) <= n < 2**63 for n in numbers)


def test_the_number_of_a_name_is_the_same_in_every_process_and_version() -> None:
    """The first 64 bits of SHA-256; its example "abc" is ba7816bf 8f01cfea … (FIPS 180-2, B.1)."""
    assert key_of("abc") == 0xBA7816BF8F01CFEA - 2**64
