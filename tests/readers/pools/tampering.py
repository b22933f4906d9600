"""Tampered answers of programs, and in what a look at them is healthier than at the whole ones.

Not to know is never to look better: a pool that is unknown, or gone with a blind spot in its
place, is no complaint.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from watcher.facts.pool import Pool, Protection
from watcher.readers.errors import ReadError
from watcher.readers.host import Ended, Host, Ran
from watcher.readers.pools.shape import PoolsRead, blindness_of
from watcher.readers.recorded import RecordedHost

ORDER = (Protection.WHOLE, Protection.THINNED, Protection.BARE, Protection.BROKEN)


def hurt(text: str) -> Iterator[tuple[str, str]]:
    """Give a text with every kind of damage at every line, each with a word for it."""
    lines = text.splitlines(keepends=True)
    yield "emptied", ""
    for at, line in enumerate(lines):
        before, rest = lines[:at], lines[at + 1 :]
        yield f"cut before line {at}", "".join(before)
        yield f"cut inside line {at}", "".join([*before, line[: len(line) // 2]])
        yield f"without line {at}", "".join([*before, *rest])
        yield f"line {at} twice", "".join([*before, line, line, *rest])
        yield f"line {at} garbled", "".join([*before, _garbled(line), *rest])
        if rest:
            yield f"line {at} swapped", "".join([*before, rest[0], line, *rest[1:]])
    yield "backwards", "".join(reversed(lines))


def _garbled(line: str) -> str:
    """Put foreign characters into the middle of a line."""
    middle = len(line.rstrip()) // 2
    return f"{line[:middle]}\x00§{line[middle + 2 :]}"


def outputs(host: RecordedHost) -> dict[tuple[str, ...], str]:
    """Give what each recorded program printed."""
    return {
        argv: answer.stdout if isinstance(answer, Ran) else answer[1]
        for argv, answer in host._programs.items()
    }


class Tampered:
    """A host on which one program's answer is another one."""

    def __init__(self, host: Host, argv: tuple[str, ...], text: str) -> None:
        self._host, self._argv, self._text = host, argv, text

    def run(
        self, argv: Sequence[str], *, limit_seconds: float = 30.0, lane: str | None = None
    ) -> Ran:
        if tuple(argv) == self._argv:
            return Ran(argv=self._argv, ended=Ended.EXITED, stdout=self._text)
        return self._host.run(argv, limit_seconds=limit_seconds, lane=lane)

    def read_text(self, path: str) -> str:
        return self._host.read_text(path)

    def list_dir(self, path: str) -> tuple[str, ...]:
        return self._host.list_dir(path)

    def real_path(self, path: str) -> str:
        return self._host.real_path(path)

    def exists(self, path: str) -> bool:
        return self._host.exists(path)


def healthier(hurt_pool: Pool, pool: Pool) -> bool:
    """Tell whether a pool looks better than it is."""
    if hurt_pool.protection is Protection.UNKNOWN:
        return False
    if pool.protection is Protection.UNKNOWN:
        return hurt_pool.protection is Protection.WHOLE
    return ORDER.index(hurt_pool.protection) < ORDER.index(pool.protection)


def complaint(hurt_read: PoolsRead, whole: PoolsRead) -> str | None:
    """Say in what a look at damaged answers is healthier; None when in nothing."""
    left = {pool.pool: pool for pool in hurt_read.pools}
    for pool in whole.pools:
        if pool.pool not in left:
            if hurt_read.answered:
                return f"{pool.pool} is gone, and the answer counts as full"
        elif healthier(left[pool.pool], pool):
            return f"{pool.pool} is {left[pool.pool].protection}, was {pool.protection}"
    return None


def complaints(
    host: RecordedHost, programs: frozenset[str], look: Callable[[Host], PoolsRead]
) -> tuple[list[str], int]:
    """Hurt every answer of some programs in every way; gives what looked better, and how many."""

    def seen(at: Host) -> PoolsRead:
        try:
            return look(at)
        except ReadError as error:
            return PoolsRead(blind=(blindness_of("tampered", error),))

    whole, found, tried = seen(host), [], 0
    for argv, text in outputs(host).items():
        for word, other in hurt(text) if argv[0] in programs else ():
            tried += 1
            said = complaint(seen(Tampered(host, argv, other)), whole)
            if said is not None:
                found.append(f"{' '.join(argv)}, {word}: {said}")
    return found, tried
