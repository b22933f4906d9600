"""Whose box it is, who hears of it, and who may see it: made from the hub's settings. Pure.

Everybody under ``people`` who belongs to no client is the shop's. The shop hears of every box by
its ladders; a client's own people hear of the client's boxes only, beside the shop, and only of
what the settings say. Nobody of one client is ever in the policy of another's box.
"""

from __future__ import annotations

import shlex
from dataclasses import replace
from functools import lru_cache

from watcher.cases.policy import Ladder, LadderChoice, Policy, Rung, plain_ladder
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId
from watcher.notify.target import Target
from watcher.service.desk import Standing
from watcher.service.settings import to_hours
from watcher.service.settings_hub import ClientSettings
from watcher.service.settings_shape import Config
from watcher.store.hub import EnrolledBox

WEIGHTY = (Urgency.NOW, Urgency.TODAY, Urgency.THIS_WEEK)


class Clients:
    """Gives the standing of each box."""

    def __init__(self, base: Standing, config: Config) -> None:
        """Work by the standing of the hub itself and its settings."""
        self.base = base
        self._clients = {client.name: client for client in config.shop.clients}
        theirs = {name for client in config.shop.clients for name in client.people}
        self._shop = tuple(p.name for p in base.policy.people if p.name not in theirs)
        self._whose = {n: client.name for client in config.shop.clients for n in client.people}
        self._policy = lru_cache(maxsize=4096)(self._policy_of)

    @property
    def names(self) -> tuple[str, ...]:
        """The clients that the settings know."""
        return tuple(self._clients)

    def client_of(self, person: str) -> str:
        """Give the client whose person that is, "" for one of the shop's."""
        return self._whose.get(person, "")

    def knows(self, person: str) -> bool:
        """Tell whether somebody is among the people of the settings."""
        return self.base.policy.person(person) is not None

    def sees_notes(self, client: str) -> bool:
        """Tell whether a client's people may read what the shop noted with its answers."""
        known = self._clients.get(client)
        return known is not None and known.sees_notes

    @property
    def own(self) -> Standing:
        """The standing of the hub itself: its own book, told to the shop."""
        return self._standing(self.base.box, self._policy(""), with_digest=True, minds_routes=True)

    def of(self, box: EnrolledBox) -> Standing:
        """Give the standing of a box: its client's policy, without the shop's regular message."""
        standing = self._standing(box.box, self._policy(box.client))
        return replace(standing, box_option=f"--box {shlex.quote(box.box)}")

    def _standing(
        self,
        box: BoxId,
        policy: Policy,
        *,
        with_digest: bool = False,
        minds_routes: bool = False,
    ) -> Standing:
        names = {person.name for person in policy.people}
        targets: tuple[Target, ...] = tuple(t for t in self.base.targets if t.person in names)
        return replace(
            self.base,
            box=box,
            policy=policy if with_digest else replace(policy, digest=None),
            targets=targets,
            minds_routes=minds_routes,
        )

    def _policy_of(self, client: str) -> Policy:
        """Give who hears of a client's boxes ("": of the hub itself)."""
        base = self.base.policy
        settings = self._clients.get(client) or ClientSettings(name=client or "-")
        theirs = tuple(n for n in settings.people if base.person(n) is not None)
        heard = theirs if settings.hears else ()
        first = tuple(person.name for person in base.people[:1])
        names = {*self._shop, *heard} or {*(theirs or first)}  # somebody must hear of it
        hours = tuple(to_hours(span) for span in settings.quiet)
        people = tuple(
            replace(p, quiet=(*p.quiet, *hours), reads_notes=settings.sees_notes)
            if p.name in heard
            else p
            for p in base.people
            if p.name in names
        )
        return replace(
            base,
            people=people,
            ladders=self._ladders(settings, heard, names),
            client=client,
        )

    def _ladders(
        self, settings: ClientSettings, heard: tuple[str, ...], names: set[str]
    ) -> tuple[LadderChoice, ...]:
        """Keep the shop's ladders, with the client's people on the first rung of what they hear."""
        found: list[LadderChoice] = []
        for choice in (*self.base.policy.ladders, None):
            for urgency in WEIGHTY if choice is None else choice.urgencies:
                ladder = (
                    plain_ladder(self._shop or tuple(sorted(names)), urgency)
                    if choice is None
                    else choice.ladder
                )
                kept = _only(ladder, names - set(heard) if heard else names)
                joined = heard if urgency in settings.hears else ()
                if kept is None and not joined:
                    continue
                ladder = _with_first(kept, joined, urgency)
                found.append(
                    LadderChoice(
                        ladder=ladder,
                        urgencies=(urgency,),
                        pools=choice.pools if choice is not None else (),
                        boxes=choice.boxes if choice is not None else (),
                        clients=choice.clients if choice is not None else (),
                    )
                )
        return tuple(found)


def _only(ladder: Ladder, names: set[str]) -> Ladder | None:
    """Give a ladder with only these people on it, None when nobody is left."""
    rungs = []
    for rung in ladder.rungs:
        people = tuple(name for name in rung.people if name in names)
        if people:
            rungs.append(Rung(people=people, wait=rung.wait))
    return replace(ladder, rungs=tuple(rungs)) if rungs else None


def _with_first(ladder: Ladder | None, people: tuple[str, ...], urgency: Urgency) -> Ladder:
    """Add people to the first rung."""
    if ladder is None:
        return plain_ladder(people, urgency)
    if not people:
        return ladder
    first = ladder.rungs[0]
    told = (*first.people, *(name for name in people if name not in first.people))
    return replace(ladder, rungs=(replace(first, people=told), *ladder.rungs[1:]))
