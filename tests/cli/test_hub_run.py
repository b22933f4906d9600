"""A real hub of two processes reads its settings and its certificate again, and says what stays."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.lab.receivers import wait_until
from watcher.cli.hub_run import NEEDS_A_RESTART, stands_on
from watcher.service.bootstrap import load_settings

PATIENCE_SECONDS = 60


class Hub:
    """A hub as a process, with what it says."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.settings = folder, folder / "hub.yaml"
        self.certificate = folder / "hub.pem"
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = int(free.getsockname()[1])
        self.make_certificate("before")
        self.write()
        self.said: list[str] = []
        self.process = subprocess.Popen(
            [sys.executable, "-m", "watcher.cli", "--config", self.settings, "hub"],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        self._heard = threading.Thread(target=self._hear, daemon=True)
        self._heard.start()
        assert self.hears("takes surveys in")

    def _hear(self) -> None:
        assert self.process.stdout is not None
        with self.process.stdout as said:
            for line in said:
                self.said.append(line)

    def end(self) -> int:
        self.process.terminate()
        status = self.process.wait(PATIENCE_SECONDS)
        self._heard.join(PATIENCE_SECONDS)
        return status

    def hears(self, words: str) -> bool:
        return wait_until(lambda: words in "".join(self.said), PATIENCE_SECONDS)

    def write(self, *, port: int | None = None, more: str = "") -> None:
        self.settings.write_text(
            f"box_name: workshop\nstate_directory: {self.folder}\nshop:\n"
            f"  listen_port: {port or self.port}\n  processes: 2\n"
            f"  certificate_file: {self.certificate}\n"
            f"  key_file: {self.certificate.with_suffix('.key')}\n{more}"
        )

    def make_certificate(self, name: str) -> None:
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256",
             "-nodes", "-days", "2", "-subj", f"/CN={name}", "-keyout",
             self.certificate.with_suffix(".key"), "-out", self.certificate],
            check=True, capture_output=True,
        )  # fmt: skip

    def shows(self) -> bytes:
        """Give the certificate that a call is shown."""
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
        with (
            socket.create_connection(("127.0.0.1", self.port), timeout=20) as line,
            context.wrap_socket(line) as safe,
        ):
            return safe.getpeercert(binary_form=True) or b""

    def shows_only(self) -> bool:
        """Tell whether calls are shown the new certificate, whichever process takes them."""
        wanted = ssl.PEM_cert_to_DER_cert(self.certificate.read_text())
        return all(self.shows() == wanted for _ in range(8))


@pytest.fixture
def hub(tmp_path: Path) -> Iterator[Hub]:
    if shutil.which("openssl") is None:
        pytest.skip("needs openssl to make a certificate")
    found = Hub(tmp_path)
    yield found
    assert found.end() == 0


@pytest.mark.slow
def test_with_hup_it_reads_settings_and_certificate_again_and_says_what_stays(hub: Hub) -> None:
    assert hub.shows_only()
    hub.write(more="  clients: 7\n")
    os.kill(hub.process.pid, signal.SIGHUP)
    assert hub.hears("the old ones stay")
    assert hub.hears("clients")
    hub.make_certificate("after")
    hub.write(more="  quiet_after_minutes: 50\n")
    os.kill(hub.process.pid, signal.SIGHUP)
    assert hub.hears("The settings were read again.\n")
    assert wait_until(hub.shows_only, PATIENCE_SECONDS)
    hub.certificate.write_text("none")
    hub.write(port=hub.port + 1)
    os.kill(hub.process.pid, signal.SIGHUP)
    assert hub.hears("The certificate was not read again; the old one stays")
    assert hub.hears(NEEDS_A_RESTART)
    assert hub.shows()


def test_what_a_running_hub_goes_on_with_is_told_apart(tmp_path: Path) -> None:
    """Clients, people and when a box is quiet are taken over; where it listens is not."""
    found = []
    for number, words in enumerate(
        ("", "quiet_after_minutes: 50", "clients: [{name: Harbour}]", "listen_port: 7")
    ):
        path = tmp_path / f"{number}.yaml"
        path.write_text(f"shop: {{{words}}}\n" if ":" not in words else f"shop:\n  {words}\n")
        found.append(stands_on(load_settings(str(path), {})))
    assert found[0] == found[1] == found[2] != found[3]
