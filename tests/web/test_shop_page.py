"""The shop's page, and that a client sees the client's boxes and nothing of anybody else's."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import timedelta
from functools import cache

import pytest

from tests.web.browser import Browser, Page
from tests.web.hub_stage import BOXES, CONFIG, EVERY, HubStage, hub_stage, signed_in
from watcher.cases.state import Book
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId, PoolId
from watcher.facts.pool import Protection
from watcher.hub.clients import Clients
from watcher.hub.enrolment import hash_of, invite, join
from watcher.hub.wire import Joining
from watcher.service.links import new_link, sign
from watcher.service.settings_hub import ShopSettings
from watcher.service.settings_shape import Config
from watcher.store.floor import PoolStanding
from watcher.web.app import WAYS
from watcher.web.ask import Needs
from watcher.web.shop_page import MOST_CARDS, BoxLine, parts_of, say_client, say_shop

FOREIGN = ("barn", "Orchard Press", "@barn", "bob", "orchard-account", "workshop")
"""What must never come to somebody of Harbour Print Room: names of the other client's."""


@cache
def shared() -> HubStage:
    """A stage that is only looked at."""
    return hub_stage()


@pytest.fixture
def stage() -> HubStage:
    return hub_stage()


def books(stage: HubStage, *boxes: str) -> list[Book]:
    with stage.site.store.snapshot() as tx:
        return [tx.load_book(BoxId(box)) for box in boxes]


def test_the_shop_sees_every_box_by_client_with_pools_bays_and_what_needs_it() -> None:
    page = signed_in(shared(), "sam").get("/")
    assert page.status == 200
    for text in ("Harbour Print Room", "Orchard Press", "press", "archive", "barn", "thinned"):
        assert text in page.text
    assert page.text.index("What needs the shop first") < page.text.index("Bays of barn")
    assert "barn, Orchard Press, case 3" in page.text
    assert "given back to its owner" in page.text
    assert "Of 6 pools that can be seen 5 have their full margin" in page.text


def test_the_page_of_one_client_shows_all_its_boxes_also_those_given_back() -> None:
    page = signed_in(shared(), "sam").get("/client?client=Orchard+Press")
    assert "what stands here is as it was then. Its past is kept" in page.text
    assert "archive" not in page.text
    assert signed_in(shared(), "sam").get("/client?client=Nobody").status == 404


def test_a_box_that_fell_quiet_says_since_when_on_every_page_about_it(stage: HubStage) -> None:
    stage.pass_time(timedelta(hours=3))
    browser = signed_in(stage, "sam")
    with stage.site.store.snapshot() as tx:
        survey = tx.last_survey(BoxId("barn"))
        case = tx.load_book(BoxId("barn")).open_cases[0].number
    assert survey is not None
    pool, drive = survey.pools[0].pool, survey.drives[0].identity.drive
    for path in (
        "/",
        "/?box=barn",
        f"/pool?box=barn&pool={pool}",
        f"/drive?drive={drive}",
        f"/case/{case}?box=barn",
        "/ready?box=barn",
        "/client?client=Orchard+Press",
    ):
        page = browser.get(path)
        assert page.status == 200, path
        said = re.search("(Not|has not been) heard from since", page.text)
        assert said is not None, path
        assert said.start() < page.text.index("Can lose" if "pool" in path else "</main>"), path
    front = browser.get("/?box=barn").text
    assert front.index("has not been heard from since") < front.index("<h1")
    assert "as it was then; each block" in front
    assert "3 cannot be seen now" in browser.get("/").text


def test_a_box_that_reports_is_not_called_unheard() -> None:
    assert "Not heard from" not in signed_in(shared(), "sam").get("/?box=barn").text


# --- one client never sees another's


def foreign_ids(stage: HubStage) -> dict[str, str]:
    """Give names of things of Orchard's that an address could ask for."""
    with stage.site.store.snapshot() as tx:
        survey = tx.last_survey(BoxId("barn"))
        number = tx.load_book(BoxId("barn")).open_cases[0].number
    assert survey is not None
    drives = [r.identity.drive for r in survey.drives]
    assert all("@barn" in drive for drive in drives)
    return {"pool": survey.pools[0].pool, "drive": drives[0], "number": str(number)}


def every_address(stage: HubStage) -> list[tuple[str, str]]:
    """Give every way in, with names of the other client's filled in."""
    ids = foreign_ids(stage)
    found = []
    for way in WAYS:
        if way.needs is Needs.LINK or way.path.startswith(("/static", "/sign-", "/me")):
            continue
        path = way.path.replace("{number:int}", ids["number"]).replace("{name}", "margin-thinned")
        for box in ("barn", "old", "workshop"):
            query = (
                f"box={box}&pool={ids['pool']}&drive={ids['drive']}&metric=temperature-celsius"
                "&client=Orchard+Press&all=yes"
            )
            found.append((way.method, f"{path}?{query}"))
        found.append((way.method, path))
        found.append((way.method, f"{path}?pool={ids['pool']}&drive={ids['drive']}"))
    return found


def says_nothing_foreign(page: Page, address: str) -> None:
    text = page.body.decode("utf-8", "replace")
    for word in FOREIGN:
        assert word not in text, f"{address} says {word}"


def test_a_client_that_tries_every_page_with_anothers_names_sees_nothing_of_it(
    stage: HubStage,
) -> None:
    browser = signed_in(stage, "ann")
    before = books(stage, "barn", "old", "workshop")
    form = browser.get("/quiet").forms  # whatever ticket there is belongs to ann
    for method, address in every_address(stage):
        if address.startswith(("/api", "/metrics", "/calendar")):
            continue
        if method == "GET":
            says_nothing_foreign(browser.get(address), address)
            continue
        ticket = stage.site.ticket(_bond(stage), stage.clock.now())
        fields = {
            "ticket": ticket, "box": "barn", "until": (stage.clock.now() + EVERY * 12).isoformat(),
            "reason": "mine", "to": "ann", "mark": "1", "scope": "box barn", "hours": "3",
            "expect degraded": "yes", "client": "Orchard Press", "name": "sam",
        }  # fmt: skip
        page = browser.post(address, fields)
        assert page.status in {403, 404, 405, 422}, f"{address} gave {page.status}"
        says_nothing_foreign(page, address)
    assert books(stage, "barn", "old", "workshop") == before
    assert form is not None


def _bond(stage: HubStage) -> str:
    with stage.site.store.snapshot() as tx:
        session = tx.sessions_of("ann")[0]
    return f"session ann {session.begun_at.isoformat()}"


def test_a_program_of_a_client_that_tries_every_address_sees_nothing_of_another(
    stage: HubStage,
) -> None:
    browser = Browser(stage.site)
    before = books(stage, "barn", "old", "workshop")
    shown = {"authorization": "Bearer program-harbour"}
    tried = 0
    for method, address in every_address(stage):
        if not address.startswith(("/api", "/metrics", "/calendar")):
            continue
        tried += 1
        sent = json.dumps({"to": "bob"}).encode() if method == "POST" else b""
        more = {"content-type": "application/json"} if sent else {}
        page = browser.ask(method, address, body=sent, headers=shown | more)
        if "box=" in address and "/api/" in address and "openapi" not in address:
            assert page.status in {404, 422} or b"barn" not in page.body, address
        says_nothing_foreign(page, address)
    assert tried > 20
    assert books(stage, "barn", "old", "workshop") == before


def test_the_same_addresses_do_show_it_to_the_shop_so_the_trial_proves_something() -> None:
    browser = Browser(shared().site)
    shown = {"authorization": "Bearer program-all"}
    for address in ("/api/boxes", "/metrics", "/api/cases?box=barn", "/api/drives?box=barn"):
        assert "barn" in browser.get(address, headers=shown).text, address
    assert signed_in(shared(), "sam").get("/?box=barn").status == 200


def test_a_link_of_one_client_ends_when_its_person_hears_of_the_box_no_more(
    stage: HubStage,
) -> None:
    number = int(foreign_ids(stage)["number"])
    key = stage.site.sign_key(stage.clock.now())
    now = stage.clock.now()
    browser = Browser(stage.site)
    own = sign(new_link("bob", BoxId("barn"), number, now), key)
    foreign = sign(new_link("ann", BoxId("barn"), number, now), key)
    assert browser.get(f"/a/{own}").status == 200
    assert browser.get(f"/a/{foreign}").status == 404


def test_people_of_a_client_manage_nothing_whatever_their_account_says() -> None:
    assert signed_in(shared(), "ann").get("/manage").status == 403
    assert signed_in(shared(), "sam").get("/manage").status == 200


def test_an_account_of_somebody_who_left_the_settings_shows_nothing_at_all(
    stage: HubStage,
) -> None:
    """Whose client they were stood there: they must not pass for one of the shop's."""
    browser = signed_in(stage, "ann")
    terms = stage.site.terms
    policy = terms.standing.policy
    left = replace(policy, people=tuple(p for p in policy.people if p.name != "ann"))
    standing = replace(terms.standing, policy=left)
    stage.site.terms = replace(terms, clients=Clients(standing, Config()), standing=standing)
    open_to_all = {way.path for way in WAYS if way.needs is Needs.NOTHING}
    for method, address in every_address(stage):
        others = address.startswith(("/api", "/metrics", "/calendar"))
        if method == "GET" and not others and address.partition("?")[0] not in open_to_all:
            page = browser.get(address)
            assert page.status == 403, address
            says_nothing_foreign(page, address)
    assert "is that of ann, who is not among the people" in browser.get("/").text
    assert signed_in(stage, "orchard").get("/?box=barn").status == 200


def test_an_account_of_a_client_takes_a_case_of_its_own_box_and_hands_it_to_nobody_elses(
    stage: HubStage,
) -> None:
    browser = signed_in(stage, "orchard")
    number = foreign_ids(stage)["number"]
    page = browser.get(f"/case/{number}?box=barn")
    assert page.status == 200
    assert "<option>sam" in page.text
    assert "<option>ann" not in page.text
    taken = browser.send(page.form("/take"))
    assert taken.status == 303
    with stage.site.store.snapshot() as tx:
        case = tx.load_book(BoxId("barn")).case(int(number))
        due = tx.enrolled(BoxId("barn"))
    assert case is not None
    assert case.answer is not None
    assert case.answer.by == "orchard"
    assert due is not None
    assert due.due_at is not None


def test_an_answer_to_a_quiet_box_falls_due_by_itself(stage: HubStage) -> None:
    stage.pass_time(timedelta(hours=3))
    browser = signed_in(stage, "sam")
    number = foreign_ids(stage)["number"]
    browser.send(browser.get(f"/case/{number}?box=barn").form("/take"))
    with stage.site.store.snapshot() as tx:
        found = tx.enrolled(BoxId("barn"))
        case = tx.load_book(BoxId("barn")).case(int(number))
    assert found is not None
    assert case is not None
    assert case.answer is not None
    assert found.due_at is not None
    assert found.due_at <= case.answer.until


def test_what_the_shop_notes_is_the_shops_unless_the_settings_let_the_client_read_it(
    stage: HubStage,
) -> None:
    number = foreign_ids(stage)["number"]
    shop = signed_in(stage, "sam")
    form = shop.get(f"/case/{number}?box=barn").form("/take")
    shop.send(form, note="the owner pays late")
    theirs = signed_in(stage, "orchard")
    address = f"/case/{number}?box=barn"
    assert "pays late" in shop.get(address).text
    assert "pays late" not in theirs.get(address).text
    theirs.send(theirs.get(address).form("/take"), note="we are away on friday")
    assert "away on friday" in theirs.get(address).text
    client = CONFIG.shop.clients[1].model_copy(update={"sees_notes": True})
    config = CONFIG.model_copy(update={"shop": ShopSettings(clients=(client,))})
    standing = stage.site.terms.standing
    stage.site.terms = replace(stage.site.terms, clients=Clients(standing, config))
    assert "pays late" in theirs.get(address).text


# --- words and order ---------------------------------------------------------------------------


def line(box: str, client: str = "c", **more: object) -> BoxLine:
    now = shared().clock.now()
    plain = BoxLine(
        box=BoxId(box), client=client, returned=False, seen_at=now, unheard=None, pools=(),
        cases={}, drives=4,
    )  # fmt: skip
    return replace(plain, **more)


def pool(protection: Protection) -> PoolStanding:
    now = shared().clock.now()
    return PoolStanding(
        box=BoxId("b"), pool=PoolId("p"), name="p", protection=protection, margin=1, full_margin=2,
        last_seen=now, scrubbed_at=None,
    )  # fmt: skip


def test_with_many_boxes_only_those_that_say_something_have_a_card() -> None:
    quiet = [line(f"b{n}") for n in range(100)]
    loud = line("loud", cases={Urgency.NOW: 1})
    hidden = line("hidden", unheard=shared().clock.now())
    thin = line("thin", pools=(pool(Protection.THINNED),))
    (part,) = parts_of([*quiet, loud, hidden, thin], whole=False)
    assert {one.box for one in part.shown} == {"loud", "hidden", "thin"}
    assert part.calm == 100
    (whole,) = parts_of([*quiet, loud], whole=True)
    assert len(whole.shown) == 101


def test_in_a_storm_the_page_stays_of_a_size_and_counts_the_rest() -> None:
    lines = [line(f"b{n}", f"c{n % 3}", cases={Urgency.TODAY: 1}) for n in range(400)]
    parts = parts_of(lines, whole=False)
    assert sum(len(part.shown) for part in parts) == MOST_CARDS
    assert sum(part.more for part in parts) == 400 - MOST_CARDS
    assert all(part.calm == 0 for part in parts)


def test_the_client_with_the_most_urgent_box_comes_first() -> None:
    lines = [line("a", "Calm"), line("b", "Later", cases={Urgency.THIS_WEEK: 1}),
             line("c", "Urgent", cases={Urgency.NOW: 1})]  # fmt: skip
    assert [part.client for part in parts_of(lines, whole=False)] == ["Urgent", "Later", "Calm"]


def test_a_box_that_was_never_heard_of_is_not_said_to_have_no_drives(stage: HubStage) -> None:
    now = stage.clock.now()
    with stage.site.store.transaction() as tx:
        asked = Joining(
            code=invite(tx, "Orchard Press", "new", now), box="new", token_hash=hash_of("x" * 40)
        )
        join(tx, asked, now)
    text = signed_in(stage, "sam").get("/client?client=Orchard+Press").text
    assert "Joined, and never heard of." in text
    assert "0 drives" not in text


def test_what_cannot_be_seen_is_counted_and_never_called_whole() -> None:
    whole = line("a", pools=(pool(Protection.WHOLE),))
    away = line("b", pools=(pool(Protection.WHOLE),), unheard=shared().clock.now())
    never = line("c", seen_at=None)
    assert say_shop([whole, away, never]) == (
        "3 boxes. 2 cannot be seen now. The one pool that can be seen has its full margin."
    )
    assert say_client([whole, away, never]) == "3 boxes, 1 not heard from, 1 never heard of."
    assert say_shop([whole, line("d", "other")]).startswith("2 boxes of 2 clients. ")
    assert say_client([]) == "No box is watched now."
    assert say_shop([]) == "No box is watched yet."
    assert "No pool is known" in say_shop([never])
    assert say_shop([away]) == "1 box. 1 cannot be seen now. No pool can be seen now."
    hidden = line("d", pools=(pool(Protection.UNKNOWN),))
    assert say_shop([whole, hidden]).endswith("has its full margin. Of 1 it cannot be told.")


def test_every_box_of_the_stage_is_of_its_client() -> None:
    with shared().site.store.snapshot() as tx:
        assert {b.box: b.client for b in tx.enrolled_boxes()} == BOXES
