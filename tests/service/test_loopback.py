import pytest

from watcher.service.loopback import is_loopback


@pytest.mark.parametrize(
    ("address", "loops"),
    [
        ("127.0.0.1", True),
        ("127.8.8.8", True),
        ("::1", True),
        ("localhost", True),
        ("0.0.0.0", False),
        ("192.0.2.1", False),
        ("box.example", False),
        ("127.9.9.9", True),
        ("[::1]", True),
        ("localhost.example.org", False),
        ("", False),
    ],
)
def test_loopback_is_told_from_the_network(address: str, loops: bool) -> None:
    assert is_loopback(address) is loops
