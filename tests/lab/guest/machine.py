"""A guest machine in QEMU, its processor emulated: started, spoken to, its drives pulled.

Two lines lead to it. QMP (QEMU's qmp-spec, JSON lines on a Unix socket) is the hand that pulls a
drive or makes it fail. The agent in the guest (``agent.py``) runs commands for the test.
"""

from __future__ import annotations

import json
import shlex
import socket
import subprocess
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

BOOT_SECONDS = 300
"""How long a boot may take: about 25 s alone, far longer where the processor is shared."""

HOST = "10.0.2.2"
"""Under which address the guest reaches the loopback of the machine that QEMU runs on."""


@dataclass(frozen=True, slots=True)
class Said:
    """What a command in the guest gave."""

    status: int
    out: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Disk:
    """One emulated drive. ``bus`` is how it is attached: sata, sas or nvme."""

    name: str  # of its device in QEMU, for instance "a1"
    bus: str
    serial: str
    file: Path
    wwn: int = 0
    bytes: int = 96 << 20

    def arguments(self) -> list[str]:
        """Give QEMU's arguments; the raw node's child can be exchanged while it runs."""
        if not self.file.exists():
            with self.file.open("wb") as file:
                file.truncate(self.bytes)
        low = {"driver": "file", "node-name": f"f-{self.name}", "filename": str(self.file)}
        top = {"driver": "raw", "node-name": f"n-{self.name}", "file": f"f-{self.name}"}
        words = []
        for blocks in ({**low, "cache": {"no-flush": True}}, top):
            words += ["-blockdev", json.dumps({**blocks, "discard": "unmap"})]
        for device in self._devices():
            words += ["-device", ",".join(device)]
        return words

    def _devices(self) -> list[list[str]]:
        """Give the devices. A SATA drive has a controller of its own, which is pulled with it."""
        same = [f"drive=n-{self.name}", f"serial={self.serial}"]
        if self.wwn:
            same.append(f"wwn={self.wwn:#x}")
        pulled = f"id=c-{self.name}"
        if self.bus == "nvme":
            return [["nvme", pulled, *same]]
        if self.bus == "sas":
            maker = ["vendor=CORVID", "product=HARROW96", "rotation_rate=7200"]
            return [["scsi-hd", "bus=sas.0", pulled, *maker, *same]]
        maker = ["model=Corvid Plough 96", "ver=CP01", "rotation_rate=7200"]
        return [["ich9-ahci", pulled], ["ide-hd", f"bus=c-{self.name}.0", *maker, *same]]


class Line:
    """JSON objects, one in a line, over a socket."""

    def __init__(self, one: socket.socket) -> None:
        self._socket = one
        self._waiting = b""

    def read(self, seconds: float) -> dict[str, Any]:
        """Give the next object; raises TimeoutError, or ConnectionError at the end."""
        self._socket.settimeout(seconds)
        while b"\n" not in self._waiting:
            piece = self._socket.recv(65536)
            if not piece:
                raise ConnectionError("the machine is gone")
            self._waiting += piece
        line, self._waiting = self._waiting.split(b"\n", 1)
        words: dict[str, Any] = json.loads(line)
        return words

    def write(self, words: dict[str, Any]) -> None:
        """Send an object."""
        self._socket.sendall(json.dumps(words).encode() + b"\n")

    def close(self) -> None:
        """End the line."""
        self._socket.close()


def own_root(image: Path, folder: Path) -> Path:
    """Copy the root disk, its holes left out, for a guest that is to be started again."""
    own = folder / "root.ext4"
    subprocess.run(["cp", "--sparse=always", str(image / "root.ext4"), str(own)], check=True)
    return own


class Guest:
    """A running guest machine."""

    def __init__(
        self,
        image: Path,
        folder: Path,
        disks: Sequence[Disk],
        *,
        parcel: Path,
        memory: int = 1024,
        root: Path | None = None,
        forward: tuple[int, int] | None = None,
    ) -> None:
        """Start it; ``parcel`` is a tar file that the guest sees as its second disk.

        ``root`` is a root disk of its own, on which what it writes is kept; see ``own_root``.
        ``forward`` leads from a port of this machine's loopback to one of the guest.
        """
        self._folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self._number = 0
        self._filters = 0
        control, line = folder / "control", folder / "line"
        net = "user,id=net"
        if forward is not None:
            net += f",hostfwd=tcp:127.0.0.1:{forward[0]}-:{forward[1]}"
        disk = f"file={root}" if root else f"file={image / 'root.ext4'},snapshot=on"
        command = [
            "setpriv", "--pdeathsig", "KILL",  # none is left over when the tests are killed
            "nice", "-n", "5", "qemu-system-x86_64",
            "-machine", "pc", "-accel", "tcg,thread=multi", "-cpu", "max", "-smp", "2",
            "-m", str(memory), "-nodefaults", "-no-user-config", "-display", "none", "-no-reboot",
            "-kernel", str(image / "vmlinuz"), "-initrd", str(image / "initrd.img"),
            "-append", "console=ttyS0,115200 quiet rw net.ifnames=0 mitigations=off nowatchdog",
            "-serial", f"file:{folder / 'console.log'}",
            "-qmp", f"unix:{control},server=on,wait=off",
            "-chardev", f"socket,id=line,path={line},server=on,wait=off",
            "-device", "virtio-serial-pci", "-device", "virtserialport,chardev=line,name=lab",
            "-drive", f"if=none,id=root,format=raw,{disk}",
            "-device", "virtio-blk-pci,drive=root",
            "-drive", f"if=none,id=parcel,file={parcel},format=raw,readonly=on",
            "-device", "virtio-blk-pci,drive=parcel",
            "-netdev", net, "-device", "virtio-net-pci,netdev=net",
            "-device", "virtio-scsi-pci,id=sas",
            *(word for disk in disks for word in disk.arguments()),
        ]  # fmt: skip
        (folder / "command.txt").write_text(shlex.join(command) + "\n", encoding="utf-8")
        with (folder / "qemu.log").open("wb") as log:
            self.process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=log, stderr=subprocess.STDOUT
            )
        try:
            self._control = self._connect(control)
            self._control.read(60)  # its greeting
            self.hand("qmp_capabilities")
            self._line = self._connect(line)
        except BaseException:
            self._end()
            raise

    def _connect(self, path: Path) -> Line:
        for _ in range(400):
            one = socket.socket(socket.AF_UNIX)
            try:
                one.connect(str(path))
            except OSError:
                one.close()
                if self.process.poll() is not None:
                    break
                time.sleep(0.05)
            else:
                return Line(one)
        said = (self._folder / "qemu.log").read_text(encoding="utf-8", errors="replace")
        raise RuntimeError(f"QEMU did not start: {said}")

    def hand(self, action: str, **arguments: Any) -> Any:
        """Let QEMU do something to the machine; raises when it refuses."""
        named = {name.replace("_", "-"): value for name, value in arguments.items()}
        self._control.write({"execute": action, "arguments": named})
        while True:
            answer = self._control.read(60)
            if "event" in answer:
                continue
            if "error" in answer:
                raise RuntimeError(f"{action}: {answer['error']}")
            return answer["return"]

    def wait_for_boot(self) -> None:
        """Wait until the agent speaks and all drives are known."""
        while self._line.read(BOOT_SECONDS).get("id") != "here":
            continue
        self.run("udevadm settle --timeout=60")

    def run(self, command: str, *, seconds: float = 120, check: bool = True) -> Said:
        """Run a command in the guest; with ``check`` a status other than 0 raises."""
        self._number += 1
        self._line.write({"id": self._number, "command": command, "seconds": seconds})
        while True:
            answer = self._line.read(seconds + 60)
            if answer["id"] == self._number:
                break
        said = Said(answer["status"], answer["out"])
        if check and said.status:
            raise RuntimeError(f"{command!r} gave {said.status}: {said.out[-3000:]}")
        return said

    def out(self, command: str, *, seconds: float = 120) -> str:
        """Run a command in the guest and give what it printed, whatever its status."""
        return self.run(command, seconds=seconds, check=False).out.strip()

    def until(self, command: str, *, seconds: float = 60) -> bool:
        """Run a command in the guest again and again until it succeeds; False: it never did."""
        whole = (
            f"for i in $(seq {int(seconds * 2)}); do {command} && exit 0; sleep 0.5; done; exit 1"
        )
        return self.run(whole, seconds=seconds * 4 + 30, check=False).status == 0

    def pull(self, disk: Disk) -> None:
        """Pull a drive out of the running machine."""
        self.hand("device_del", id=f"c-{disk.name}")

    def fail(self, disk: Disk, *, reads: bool = True, writes: bool = True) -> None:
        """Let every read and write of a drive end in an error from now on (block/blkdebug.c)."""
        self._filters += 1
        name = f"bad-{self._filters}"
        kinds = [kind for kind, on in (("read", reads), ("write", writes)) if on]
        self.hand(
            "blockdev-add",
            driver="blkdebug",
            node_name=name,
            image=f"f-{disk.name}",
            inject_error=[{"event": "none", "iotype": kind, "errno": 5} for kind in kinds],
        )
        self._set_below(disk, name)

    def heal(self, disk: Disk) -> None:
        """Let a drive work again."""
        self._set_below(disk, f"f-{disk.name}")

    def _set_below(self, disk: Disk, node: str) -> None:
        top = {"driver": "raw", "node-name": f"n-{disk.name}", "file": node, "discard": "unmap"}
        self.hand("blockdev-reopen", options=[top])

    def power_off(self) -> None:
        """Let it shut down as a person would, and wait for that."""
        self.run("systemctl --no-block poweroff")
        self.process.wait(BOOT_SECONDS)
        self.stop()

    def stop(self) -> None:
        """End the machine; nothing is kept on a root disk that is not its own."""
        self._end()
        for stream in (self._control, self._line):
            stream.close()

    def _end(self) -> None:
        """End the process, whatever it does."""
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
