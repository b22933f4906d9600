"""The demo's box with its pages before it: real readers, desk and store, a clock that is told."""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cache

from tests.service.manual_clock import ManualClock
from watcher.cli.play import Pace, Player
from watcher.demo.story import OWNER, SCENES
from watcher.facts.identity import BoxId
from watcher.service.desk import Desk
from watcher.store.accounts import Account, Role
from watcher.store.database import Store, open_memory
from watcher.web.passwords import make_check
from watcher.web.site import Site, Terms

PASSWORD = "lamp orchard seven kettle"
CHECK = make_check(PASSWORD, b"0123456789abcdef")
PUBLIC = "https://watch.example"


def _after(name: str, more: int = 0) -> int:
    """Give how many scenes were played once the one of that name is over."""
    names = [scene.happens.__name__ for scene in SCENES]
    return names.index(name) + 1 + more


WORSE = _after("_worse")
"""Bay 5 has got worse and is still there."""

COMPARED = next(place for place, scene in enumerate(SCENES, 1) if scene.compare)
"""Bay 5 is gone, and the plans are compared."""

WRONG_PULL = _after("_wrong_pull")
"""The wrong drive was pulled."""

REBUILDING = _after("_new_drive", 2)
"""The new drive is in, and the rebuild runs for a while."""

OVER = len(SCENES)


@dataclass(slots=True)
class Stage:
    """The story up to a scene, and its pages."""

    player: Player
    site: Site
    clock: ManualClock

    @property
    def store(self) -> Store:
        """The store of the story."""
        return self.player.store

    def case_number(self) -> int:
        """Give the number of the case that needs an answer most."""
        return self.player._open_case()

    def play(self, upto: int, start: int) -> None:
        """Play on."""
        for scene in SCENES[start:upto]:
            # Fewer looks than the demo takes: the pages show the same in a tenth of the time.
            self.player._pass_time(replace(scene, every=max(scene.every, timedelta(hours=4))))
            self.player._show_scene(scene)
        self.clock.move_to(self.player.box.now)

    def links(self) -> list[str]:
        """Give the paths of the links that were sent, oldest first."""
        found = [m.link.removeprefix(PUBLIC) for m in self.player.messages]
        return [link for link in found if link.startswith("/a/")]


@cache
def _played(scenes: int) -> Stage:
    return set_stage(scenes)


def stage_at(scenes: int = COMPARED, *, public: str = PUBLIC) -> Stage:
    """Give a stage of one's own: the story is played once, its store is copied."""
    whole = _played(scenes)
    store = open_memory(now=whole.clock.now())
    whole.store._db._connection.backup(store._db._connection)  # type: ignore[attr-defined] # SQLite's own copy
    clock = ManualClock(whole.clock.now())
    terms = replace(whole.site.terms, public_url=public)
    troubles: list[str] = []
    site = Site(store=store, terms=terms, now=clock.now, trouble=troubles.append)
    site.kept["troubles"] = troubles
    player = copy(whole.player)
    player.store = store
    player.desk = Desk(store, whole.player.desk.standing)
    return Stage(player=player, site=site, clock=clock)


def account(name: str, role: Role, now: datetime, boxes: tuple[BoxId, ...] = ()) -> Account:
    """Make an account with the known password."""
    return Account(
        name=name,
        role=role,
        person=OWNER if name == OWNER else "",
        boxes=boxes,
        password=CHECK,
        made_at=now,
        changed_at=now,
    )


def set_stage(scenes: int = WORSE, *, public: str = PUBLIC) -> Stage:
    """Play the story up to a scene and put pages before it.

    ``ada`` may act, ``max`` manages, ``lou`` looks; all have the same password.
    """
    silent: Callable[..., None] = lambda *_: None  # noqa: E731
    player = Player(Pace(write=silent, pause=silent, width=100))
    player.desk.standing = replace(player.desk.standing, page_url=PUBLIC)
    clock = ManualClock(player.box.now)
    troubles: list[str] = []
    site = Site(
        store=player.store,
        terms=Terms(
            standing=player.desk.standing, zone=player.desk.standing.plan.zone, public_url=public
        ),
        now=clock.now,
        trouble=troubles.append,
    )
    stage = Stage(player=player, site=site, clock=clock)
    stage.play(scenes, 0)
    with player.store.transaction() as tx:
        for name, role in ((OWNER, Role.ACT), ("max", Role.MANAGE), ("lou", Role.LOOK)):
            tx.save_account(account(name, role, clock.now()))
        tx.save_account(account("client", Role.LOOK, clock.now(), (BoxId("elsewhere"),)))
    site.kept["troubles"] = troubles
    return stage
