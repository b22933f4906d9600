"""A hub with its pages: boxes of two clients that went through the demo's failure, and people.

``press`` and ``archive`` are Harbour's, ``barn`` is Orchard's, ``old`` was given back. Every box
hands over the demo's survey as of a scene; drives that two clients show go by names of their own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from tests.service.manual_clock import ManualClock
from tests.web.browser import Browser
from tests.web.stage import CHECK, COMPARED, PUBLIC, WORSE, stage_at
from watcher.cases.policy import Person
from watcher.facts.identity import BoxId
from watcher.facts.survey import Survey
from watcher.hub.clients import Clients
from watcher.hub.enrolment import hash_of, invite, join
from watcher.hub.passing import PassingTime
from watcher.hub.shop import Shop
from watcher.hub.wire import Joining, Parcel
from watcher.notify.secret import Secret
from watcher.notify.target import Target
from watcher.service.settings_hub import ClientSettings, ShopSettings
from watcher.service.settings_shape import Config
from watcher.store.accounts import Account, ProgramToken, Role
from watcher.store.database import open_memory
from watcher.store.hub import BoxState
from watcher.web.one_time import fingerprint
from watcher.web.site import Site, Terms

CONFIG = Config(
    shop=ShopSettings(
        clients=(
            ClientSettings(name="Harbour Print Room", people=("ann",), hears=("now", "today")),
            ClientSettings(name="Orchard Press", people=("bob",), hears=("now",)),
        )
    )
)
BOXES = {
    "press": "Harbour Print Room",
    "archive": "Harbour Print Room",
    "barn": "Orchard Press",
    "old": "Orchard Press",
}
EVERY = timedelta(minutes=10)


@dataclass(slots=True)
class HubStage:
    """A hub, its pages, and its clock."""

    shop: Shop
    site: Site
    clock: ManualClock
    tokens: dict[str, str]

    def report(self, box: str, survey: Survey, number: int) -> None:
        """Let a box hand over a survey, taken now."""
        fresh = replace(survey, survey=f"{box}-{number}", box=BoxId(box), taken_at=self.clock.now())
        parcel = Parcel(sender=f"run-{box}", every_seconds=600, survey=fresh)
        self.shop.take(self.tokens[box], parcel, "192.0.2.7", self.clock.now())

    def pass_time(self, span: timedelta) -> None:
        """Let time pass, and what falls due be done."""
        self.clock.move_to(self.clock.now() + span)
        while PassingTime(self.shop).due(self.clock.now()):
            pass


def account(name: str, role: Role, now: datetime, *, client: str = "", person: str = "") -> Account:
    """Make an account with the known password."""
    return Account(
        name=name,
        role=role,
        person=person,
        client=client,
        password=CHECK,
        made_at=now,
        changed_at=now,
    )


def hub_stage(*, public: str = PUBLIC) -> HubStage:
    """Set the stage: ``barn`` has lost a drive, ``press`` has one that got worse, ``archive`` not.

    ``sam`` manages for the shop; ``ann`` (by her person) and ``orchard`` (by its client) may act.
    """
    fine, worse, lost = (stage_at(n) for n in (1, WORSE, COMPARED))
    surveys = []
    for stage in (fine, worse, lost):
        with stage.store.snapshot() as tx:
            found = tx.last_survey(stage.site.box)
        assert found is not None
        surveys.append(found)
    clock = ManualClock(lost.clock.now())
    base = lost.site.terms.standing
    names = ("sam", "ann", "bob")
    standing = replace(
        base,
        box=BoxId("workshop"),
        policy=replace(base.policy, people=tuple(Person(name=name) for name in names), ladders=()),
        targets=tuple(
            Target(name="mail", person=name, url=Secret(f"json://127.0.0.1/{name}"))
            for name in names
        ),
        page_url=public,
    )
    store = open_memory(now=clock.now())
    clients = Clients(standing, CONFIG)
    shop = Shop(store, clients)
    site = Site(
        store=store,
        terms=Terms(
            standing=standing,
            zone=base.plan.zone,
            public_url=public,
            clients=clients,
        ),
        now=clock.now,
    )
    stage = HubStage(shop=shop, site=site, clock=clock, tokens={})
    with store.transaction() as tx:
        for box, client in BOXES.items():
            stage.tokens[box] = f"token-of-{box}-0123456789"
            code = invite(tx, client, box, clock.now())
            asked = Joining(code=code, box=box, token_hash=hash_of(stage.tokens[box]))
            join(tx, asked, clock.now())
        now = clock.now()
        tx.save_account(account("sam", Role.MANAGE, now, person="sam"))
        tx.save_account(account("ann", Role.MANAGE, now, person="ann"))
        tx.save_account(account("orchard", Role.ACT, now, client="Orchard Press"))
        for name, client in (("harbour", "Harbour Print Room"), ("all", "")):
            tx.save_token(
                ProgramToken(
                    name=name,
                    hash=fingerprint(f"program-{name}"),
                    role=Role.ACT,
                    client=client,
                    made_at=now,
                )
            )
    for number, moment in enumerate((0, 1, 2)):
        if moment:
            stage.pass_time(EVERY)
        stage.report("press", surveys[min(number, 1)], number)
        stage.report("archive", surveys[0], number)
        stage.report("barn", surveys[(0, 1, 2)[number]], number)
        if not number:
            stage.report("old", surveys[0], number)
    with store.transaction() as tx:
        tx.set_box_state(BoxId("old"), BoxState.RETURNED, clock.now())
    stage.pass_time(timedelta(minutes=2))
    return stage


def signed_in(stage: HubStage, name: str = "sam") -> Browser:
    """Give a browser in which somebody is signed in."""
    browser = Browser(stage.site)
    assert browser.sign_in(name).status == 303
    return browser
