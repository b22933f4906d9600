"""``midwatch prove DEVICE``: the burn-in of a spare."""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import timedelta

import click

from watcher.cli.columns import clean, fold
from watcher.cli.exits import Exit, Stop
from watcher.cli.parts import Room, room_of, terminal_width
from watcher.cli.say import say
from watcher.facts.pool import Pool
from watcher.facts.units import say_bytes, say_count, say_done, say_span
from watcher.readers.erase_guard import Named, guard
from watcher.readers.runner import RealHost
from watcher.recovery.proof_report import curve_svg, report_text
from watcher.recovery.proof_verdict import Outcome, Result, outcome_of
from watcher.recovery.proving import PHASE_WORDS, Phase, Proof, time_left
from watcher.service.clock import SystemClock
from watcher.service.proof_file import AlreadyProving, ProofFile, RecordUnusable
from watcher.service.prove import Interrupted, Prover, Surroundings
from watcher.service.prove_start import (
    CAUTIONS,
    AskedDrive,
    CannotProve,
    Cleared,
    begin,
    clear,
    on_the_shelf,
)
from watcher.service.raw_device import BlockDevice
from watcher.service.state import store_path


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """How a person wants it done."""

    read_only: bool
    device_type: str | None
    anew: bool


@dataclass(slots=True)
class Job:
    """One drive under burn-in."""

    drive: Cleared
    named: Named
    pools: tuple[Pool, ...]
    record: ProofFile
    proof: Proof
    failed: str = ""  # why it could not run, a sentence
    stopped: bool = False


@dataclass(slots=True)
class Board:
    """How far each burn-in is, printed on one line each where there is a terminal."""

    jobs: Sequence[Job]
    lock: threading.Lock = field(default_factory=threading.Lock)
    said: dict[str, str] = field(default_factory=dict)
    drawn: int = 0

    def tell(self, proof: Proof) -> None:
        """Print how far one is: in place on a terminal, a new line for each new per cent else."""
        line = say_progress(proof)
        with self.lock:
            key = proof.identity.drive
            coarse = f"{proof.phase.value} {int(proof.done_fraction * 20)}"
            before = self.said.get(key)
            self.said[key] = line if sys.stdout.isatty() else coarse
            if not sys.stdout.isatty():
                if before != coarse:
                    say(f"{proof.identity.serial}: {line}")
                return
            if self.drawn:
                click.echo(f"\x1b[{self.drawn}F", nl=False)
            lines = [f"{k}: {v}"[: terminal_width()] for k, v in sorted(self.said.items())]
            for text in lines:
                click.echo(f"\x1b[K{clean(text)}")
            self.drawn = len(lines)


def say_progress(proof: Proof) -> str:
    """Say how far a burn-in is, and how long it still takes."""
    if proof.phase is Phase.DONE:
        return "done"
    words = f"{PHASE_WORDS[proof.phase]}, {say_done(proof.done_fraction)}"
    if proof.faults_count:
        words += f", {say_count(proof.faults_count, 'fault')}"
    if proof.warmth:
        words += f", {proof.warmth[-1].celsius} °C"
    left = time_left(proof)
    return f"{words}, about {say_span(max(left, timedelta(seconds=1)))} left for all of it"


def _pools_seen(room: Room) -> tuple[Pool, ...]:
    """Give the pools of the last survey."""
    with room.store.snapshot() as tx:
        survey = tx.last_survey(room.box)
    return survey.pools if survey is not None else ()


def confirm(jobs: Sequence[Job], *, read_only: bool) -> None:
    """Say what will happen; on a terminal ask for each serial number once more."""
    for job in jobs:
        who = job.drive.identity
        name = f"{who.model or 'drive'}, {say_bytes(job.drive.size_bytes)}, serial {who.serial}"
        if read_only:
            say(f"{job.drive.node}: {name} is read from end to end. Nothing is written.")
            continue
        again = " It goes on where it was." if job.proof.resumed else ""
        say(f"{job.drive.node}: {name} will be ERASED.{again}")
    if read_only:
        return
    for caution in CAUTIONS:
        say("\n".join(f"  {line}" for line in fold(caution, terminal_width() - 2)))
    if not sys.stdin.isatty():
        return
    for job in jobs:
        typed = click.prompt(
            "Type the serial number once more to erase it", default="", show_default=False
        )
        if typed.strip() != job.drive.identity.serial:
            raise Stop("That is not its serial number. Nothing was done.", Exit.REFUSED)


def prepare(stack: ExitStack, room: Room, device: str, named: Named, asked: Asked) -> Job:
    """Clear one drive, lock its record and take it up; Stop with every reason else."""
    pools = _pools_seen(room)
    try:
        cleared = clear(
            RealHost(),
            device,
            named,
            room.now,
            pools=pools,
            erases=not asked.read_only,
            device_type=asked.device_type,
        )
        record = ProofFile(store_path(room.config).parent, cleared.identity.drive)
        stack.enter_context(record.alone())
        if asked.anew:
            record.put_aside("given-up")
        before = record.read()
        if before is not None and before.phase is Phase.DONE:
            record.put_aside(f"{before.begun_at:%Y%m%dT%H%M%S}")
            before = None
        proof = begin(cleared, before, room.now, read_only=asked.read_only)
    except CannotProve as refused:
        raise Stop(str(refused), Exit.REFUSED) from refused
    except AlreadyProving:
        raise Stop(f"A burn-in of {device} is running already.", Exit.REFUSED) from None
    except RecordUnusable as error:
        raise Stop(f"{error}. Begin anew with --anew.", Exit.NO_STATE) from error
    except OSError as error:
        raise Stop(f"The record cannot be kept ({error}).", Exit.NO_STATE) from error
    return Job(drive=cleared, named=named, pools=pools, record=record, proof=proof)


def work(job: Job, board: Board, stop: threading.Event, *, read_only: bool) -> None:
    """Run one burn-in; what goes wrong is kept in the job."""
    clock = SystemClock()
    try:
        device = BlockDevice(job.drive.node, writes=not read_only)
    except OSError as error:
        job.failed = f"{job.drive.node} cannot be opened for us alone ({error.strerror})."
        return
    around = Surroundings(
        device=device,
        drive=AskedDrive(
            host=RealHost(),
            node=job.drive.node,
            device_type=job.drive.device_type,
            clock=clock,
            identity=job.drive.identity,
        ),
        clock=clock,
        save=job.record.save,
        tell=board.tell,
        wait=lambda seconds: void(stop.wait(seconds)),
        stopped=stop.is_set,
    )
    prover = Prover(job.proof, around)
    try:
        if device.size != job.proof.size_bytes:
            job.failed = f"{job.drive.node} changed its size while it was looked at."
            return
        if not read_only:  # held by us alone now: nothing can come in between any more
            held = guard(
                RealHost(),
                job.drive.node,
                identity=job.drive.identity,
                named=job.named,
                pools=job.pools,
            )
            if held.against:
                job.failed = f"{job.drive.node} is left alone. {' '.join(held.against)}"
                return
        job.proof = prover.run()
    except Interrupted:
        job.stopped = True
    except OSError as error:
        job.failed = (
            f"The burn-in of {job.drive.node} broke off: {error}. It can be taken up again."
        )
    finally:
        job.proof = prover.proof
        device.close()


def void(_: object) -> None:
    """Give nothing back."""


@contextmanager
def stopping(stop: threading.Event) -> Iterator[None]:
    """Let the usual signals end the work after the piece under way."""
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        for number in before:
            signal.signal(number, lambda *_: stop.set())
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def finish(context: click.Context, job: Job) -> Outcome:
    """Write the report and the picture, and note it on the shelf."""
    outcome = outcome_of(job.proof)
    who = job.proof.identity
    stem = f"{job.record.stem}.{job.proof.begun_at:%Y%m%dT%H%M%S}"
    text = job.record.path.with_name(f"{stem}.txt")
    picture = job.record.path.with_name(f"{stem}.svg")
    report = report_text(job.proof, outcome)
    title = f"{who.model} {who.serial}, {say_bytes(job.proof.size_bytes)}"
    job.record.write(text, report)
    job.record.write(picture, curve_svg(job.proof, title))
    say(f"\n{report}\nThe report is kept in {text}\nand the speed curve in {picture}")
    with room_of(context, need_state=False) as room, room.store.transaction() as tx:
        box = room.box
        shelf = tx.shelf(box)
        mine = [s for s in shelf if s.identity is not None and s.identity.drive == who.drive]
        for spare in mine:
            tx.save_spare(box, on_the_shelf(spare, job.proof, outcome))
    if mine:
        say(f"It is noted on the shelf, for spare {mine[0].number}.")
    elif outcome.proves:
        say("Put it on the shelf, and it counts: midwatch shelf add, then midwatch shelf proven.")
    return outcome


@click.command()
@click.argument(
    "devices", nargs=-1, required=True, metavar="DEVICE...", type=click.Path(readable=False)
)
@click.option("--id", "ids", multiple=True, help="Its id as midwatch knows it, typed by hand.")
@click.option("--serial", "serials", multiple=True, help="Its serial number, typed by hand.")
@click.option("--read-only", is_flag=True, help="Read it only: erases nothing, proves less.")
@click.option("--device-type", help="How smartctl reaches it (its option -d).")
@click.option("--anew", is_flag=True, help="Do not take up an unfinished burn-in.")
@click.pass_context
def prove(
    context: click.Context,
    devices: tuple[str, ...],
    ids: tuple[str, ...],
    serials: tuple[str, ...],
    *,
    read_only: bool,
    device_type: str | None,
    anew: bool,
) -> int:
    """Burn in a spare: write all of it, read it back, let it test itself. This ERASES the drive.

    Name each DEVICE with its --id and its --serial, in the same order. Nothing is done to a drive
    that holds anything: a partition, a signature, a mount, a pool.
    """
    if not len(devices) == len(ids) == len(serials):
        raise Stop(
            "Name each device with its --id and its --serial, as printed on the drive. "
            "midwatch drive DEVICE shows both.",
            Exit.WRONG_WORDS,
        )
    stop = threading.Event()
    asked = Asked(read_only=read_only, device_type=device_type, anew=anew)
    with ExitStack() as stack:
        with room_of(context, need_state=False) as room:
            jobs = [
                prepare(stack, room, device, Named(drive=who, serial=serial), asked)
                for device, who, serial in zip(devices, ids, serials, strict=True)
            ]
        confirm(jobs, read_only=read_only)
        board = Board(jobs)
        with stopping(stop), ThreadPoolExecutor(len(jobs)) as pool:
            for running in [
                pool.submit(work, job, board, stop, read_only=read_only) for job in jobs
            ]:
                running.result()
        return end_of(context, jobs)


def end_of(context: click.Context, jobs: Sequence[Job]) -> int:
    """Say what came of all, and give the exit status."""
    status = Exit.DONE
    for job in jobs:
        if job.failed:
            say(job.failed, err=True)
            status = Exit.REFUSED
        elif job.stopped:
            say(
                f"{job.drive.node}: stopped at {say_done(job.proof.done_fraction)} of "
                f"{PHASE_WORDS[job.proof.phase]}. The same command takes it up again."
            )
            status = Exit.REFUSED
        elif finish(context, job).result is not Result.PASSED:
            status = Exit.ACT
    return int(status)
