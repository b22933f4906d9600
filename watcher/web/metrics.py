"""The state as OpenMetrics text, version 1.0.0, for whatever collects such.

What is not known has no sample: a margin that cannot be told is absent, never zero. States are
state sets, so that none of them needs a number.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum

from watcher import __version__
from watcher.cases.state import Case
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId
from watcher.facts.pool import Pool, Protection, WorkKind
from watcher.store.transaction import Transaction
from watcher.web.ask import Ask, Reply
from watcher.web.glance import Glance, Look, Seat
from watcher.web.overview import glance_at, open_cases
from watcher.web.site import Site

KIND = "application/openmetrics-text; version=1.0.0; charset=utf-8"


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """A metric family: its name, type, unit and help, and its samples."""

    name: str
    type: str
    help: str
    samples: tuple[str, ...]
    unit: str = ""

    def lines(self) -> Iterator[str]:
        """Write it."""
        yield f"# TYPE {self.name} {self.type}"
        if self.unit:
            yield f"# UNIT {self.name} {self.unit}"
        yield f"# HELP {self.name} {escape(self.help)}"
        yield from self.samples


def escape(text: str) -> str:
    """Give a text as a label's value or as help."""
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')


def sample(name: str, labels: Mapping[str, str], value: float) -> str:
    """Write one sample."""
    told = ",".join(f'{key}="{escape(word)}"' for key, word in labels.items())
    return f"{name}{{{told}}} {value!r}"


def metrics(site: Site, ask: Ask) -> Reply:
    """Give the metrics of all boxes that whoever asks may see."""
    with site.store.snapshot() as tx:
        looked = [_look(site, tx, box, ask) for box in site.watched_of(tx, ask.who)]
    lines = [line for family in families(looked) for line in family.lines()]
    return Reply(body="\n".join([*lines, "# EOF", ""]), kind=KIND)


def _look(site: Site, tx: Transaction, box: BoxId, ask: Ask) -> tuple[Glance, tuple[Case, ...]]:
    cases = open_cases(tx, box)
    return glance_at(site, tx, box, cases, ask), cases


def families(looked: list[tuple[Glance, tuple[Case, ...]]]) -> Iterator[Family]:
    """Give all families."""
    yield Family(
        name="midwatch_build",
        type="info",
        help="The version that answers.",
        samples=(sample("midwatch_build_info", {"version": __version__}, 1),),
    )
    yield from _of_boxes(looked)
    pools = [(glance.box, pool) for glance, _ in looked for pool in glance.pools]
    yield from _of_pools(pools)
    seats = [(glance.box, seat) for glance, _ in looked for seat in glance.seats if seat.drive]
    yield from _of_drives(seats)


def _of_boxes(looked: list[tuple[Glance, tuple[Case, ...]]]) -> Iterator[Family]:
    yield Family(
        name="midwatch_last_survey_timestamp_seconds",
        type="gauge",
        unit="seconds",
        help="When the box was last looked at.",
        samples=tuple(
            sample(
                "midwatch_last_survey_timestamp_seconds",
                {"box": glance.box},
                glance.taken_at.timestamp(),
            )
            for glance, _ in looked
            if glance.taken_at is not None
        ),
    )
    yield Family(
        name="midwatch_blind_spots",
        type="gauge",
        help="Drives and sources that cannot be looked at.",
        samples=tuple(
            sample("midwatch_blind_spots", {"box": glance.box}, len(glance.hidden))
            for glance, _ in looked
            if glance.taken_at is not None
        ),
    )
    yield Family(
        name="midwatch_open_cases",
        type="gauge",
        help="Open cases by how soon a person must act.",
        samples=tuple(
            sample(
                "midwatch_open_cases",
                {"box": glance.box, "urgency": urgency.value},
                sum(case.urgency is urgency for case in cases),
            )
            for glance, cases in looked
            for urgency in Urgency
        ),
    )


def _of_pools(pools: list[tuple[BoxId, Pool]]) -> Iterator[Family]:
    for name, words, value in (
        ("midwatch_pool_margin_drives", "Drives the pool can still lose.", "margin"),
        ("midwatch_pool_full_margin_drives", "Drives it was built to lose.", "full_margin"),
    ):
        yield Family(
            name=name,
            type="gauge",
            unit="drives",
            help=words,
            samples=tuple(
                sample(name, _pool_labels(box, pool), getattr(pool, value))
                for box, pool in pools
                if getattr(pool, value) is not None
            ),
        )
    yield _states(
        "midwatch_pool_protection",
        "The pool's state by its margin.",
        Protection,
        [(_pool_labels(box, pool), pool.protection) for box, pool in pools],
    )
    yield Family(
        name="midwatch_pool_work_done_ratio",
        type="gauge",
        unit="ratio",
        help="How far the work on the pool is.",
        samples=tuple(
            sample(
                "midwatch_pool_work_done_ratio",
                _pool_labels(box, pool) | {"work": _work(pool)},
                float(pool.work.done_fraction),
            )
            for box, pool in pools
            if pool.work is not None and pool.work.done_fraction is not None
        ),
    )


def _work(pool: Pool) -> str:
    return (pool.work.kind if pool.work else WorkKind.SCRUB).value


def _pool_labels(box: BoxId, pool: Pool) -> dict[str, str]:
    return {"box": box, "pool": pool.pool, "name": pool.name}


def _states(
    name: str, words: str, states: type[StrEnum], held: list[tuple[dict[str, str], StrEnum]]
) -> Family:
    """Write a state set: 1 for the state that holds, 0 for the others."""
    return Family(
        name=name,
        type="stateset",
        help=words,
        samples=tuple(
            sample(name, labels | {name: state.value}, int(state is now))
            for labels, now in held
            for state in states
        ),
    )


def _of_drives(seats: list[tuple[BoxId, Seat]]) -> Iterator[Family]:
    yield Family(
        name="midwatch_drive_temperature_celsius",
        type="gauge",
        unit="celsius",
        help="As the drive reported it last.",
        samples=tuple(
            sample(
                "midwatch_drive_temperature_celsius",
                _drive_labels(box, seat),
                seat.temperature,
            )
            for box, seat in seats
            if seat.temperature is not None
        ),
    )
    yield _states(
        "midwatch_drive_look",
        "What is known of the drive; quiet is no sign, not health.",
        Look,
        [(_drive_labels(box, seat), seat.look) for box, seat in seats],
    )


def _drive_labels(box: BoxId, seat: Seat) -> dict[str, str]:
    return {"box": box, "drive": str(seat.drive), "place": seat.name}
