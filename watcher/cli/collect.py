"""``midwatch collect FILE``: every raw answer of this box in one file, for another place."""

from __future__ import annotations

import secrets
import socket
from datetime import datetime
from pathlib import Path

import click

from watcher import __version__
from watcher.cli.exits import Exit, Stop
from watcher.cli.parts import settings_of
from watcher.cli.say import say
from watcher.facts.survey import Survey
from watcher.facts.units import say_count
from watcher.readers.box_file import BoxFile, of_recording, write
from watcher.readers.host import Host
from watcher.readers.kernel_follow import KernelRing, RealLogFile
from watcher.readers.kernel_raw import LogFile, Records
from watcher.readers.masking import mask
from watcher.readers.recorded import RecordingHost
from watcher.readers.recorded_log import RecordingLogFile, RecordingRing
from watcher.readers.runner import RealHost
from watcher.readers.survey import Looking, Surveyor
from watcher.service.bootstrap import to_looking
from watcher.service.clock import SystemClock

KEY_BYTES = 32


def record(host: Host, looking: Looking, now: datetime) -> tuple[BoxFile, Survey]:
    """Look at a box twice, as ``look`` and as ``look --deep`` do, and keep all that it answered."""
    recording = RecordingHost(host)
    rings: list[RecordingRing] = []
    logs: list[RecordingLogFile] = []

    def ring() -> Records:
        rings.append(RecordingRing(KernelRing()))
        return rings[-1]

    def log(path: str) -> LogFile:
        logs.append(RecordingLogFile(RealLogFile(path)))
        return logs[-1]

    survey = None
    for deep in (False, True):  # the plain look first: it leaves sleeping drives asleep
        surveyor = Surveyor(recording, looking, ring=ring, file=log)
        survey = surveyor.take("collect", now, deep=deep).survey
    if survey is None:
        raise AssertionError("two looks were taken")
    box = of_recording(
        recording,
        looking,
        taken_at=now,
        written_by=__version__,
        ring=rings[-1].kept if rings else None,
        log=logs[-1].kept if logs else None,
    )
    return box, survey


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--mask-serials",
    is_flag=True,
    help="Replace serial numbers, World Wide Names and the host name by invented ones, the same "
    "for the same drive everywhere in the file.",
)
@click.pass_context
def collect(context: click.Context, file: Path, *, mask_serials: bool) -> None:
    """Save every raw answer of this box in FILE (.tar.gz), for somebody who sits elsewhere.

    They see the box with: midwatch look --from FILE. In it are the reports of drives and pools, the
    kernel log, and what the settings say of drives, pools and copies; no passwords, no addresses of
    messages, nothing of your files. Labels, mount points and folder names stay in it, also with
    --mask-serials. Only you may read the file; you decide who gets it.
    """
    looking = to_looking(settings_of(context))
    if file.exists():
        raise Stop(f"{file} is there already, and is left as it is. Name a new file.", Exit.REFUSED)
    box, survey = record(RealHost(), looking, SystemClock().now())
    lines = []
    if mask_serials:
        told = [reading.identity.serial for reading in survey.drives]
        told += [unread.serial or "" for unread in survey.unread]
        masked = mask(box, secrets.token_bytes(KEY_BYTES), serials=told, host=socket.gethostname())
        box = masked.box
        lines.append(f"{say_count(masked.replaced, 'name')} replaced; the key was thrown away.")
        if masked.plain:
            lines.append(
                "Serial numbers replaced where nothing else can stand; the same letters or digits "
                "still stand elsewhere,\nand may mean anything there: "
                + ", ".join(masked.plain)
                + "."
            )
    try:
        size = write(box, file)
    except (OSError, ValueError) as error:
        words = error.strerror if isinstance(error, OSError) else str(error)
        raise Stop(f"{file} could not be written: {words}.", Exit.REFUSED) from error
    lines.insert(
        0,
        f"{say_count(len(box.programs), 'answer')} of programs and "
        f"{say_count(len(box.files), 'file')} are in {file} ({max(size // 1024, 1)} KiB).",
    )
    if survey.blind or survey.unread:
        lines.append("Not all could be seen; midwatch look says what, and what to do about it.")
    say("\n".join(lines))
