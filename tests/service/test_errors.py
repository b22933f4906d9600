"""Faults are sentences for the owner, in the order of the file."""

from __future__ import annotations

from watcher.service.errors import ConfigError, Fault


def test_all_faults_are_told_in_the_order_of_the_file() -> None:
    error = ConfigError(
        "/etc/midwatch/midwatch.yaml",
        (
            Fault(key="b", line=9, wrong="is odd", right="make it even"),
            Fault(key="a", line=2, wrong="is odd", right=""),
            Fault(key="", line=None, wrong="cannot be read", right="look"),
        ),
    )
    assert str(error) == (
        "/etc/midwatch/midwatch.yaml: 3 things are wrong in the settings:\n"
        "  cannot be read; look\n"
        "  line 2: a: is odd\n"
        "  line 9: b: is odd; make it even"
    )
    assert error.exit_status == 3
