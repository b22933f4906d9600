"""The pages in a real browser: Debian's Chromium, driven by Playwright, against a real server.

On a phone (360 by 740) and at a desk (1280 by 800), light and dark. Screenshots are kept below
``tests/output/pages``. Without Chromium or Playwright these tests are skipped, and the word says
which; the accessibility check also needs npm, which fetches axe-core there once.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from tests.web.stage import (
    COMPARED,
    OVER,
    PASSWORD,
    REBUILDING,
    WORSE,
    WRONG_PULL,
    Stage,
    stage_at,
)
from watcher.demo.story import CELLAR_UUID, ORCHARD
from watcher.service.links import LINK_LIVES
from watcher.web.server import PageServer

sync_api = pytest.importorskip("playwright.sync_api", reason="needs playwright from the test extra")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
if CHROMIUM is None:
    pytest.skip("needs Chromium (apt-get install chromium)", allow_module_level=True)

OUTPUT = Path(__file__).resolve().parents[1] / "output"
SHOTS = OUTPUT / "pages"
HEAVIEST_BYTES = 150_000
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
SIZES = {"phone": (360, 740), "desk": (1280, 800)}
VIEWS = [(size, scheme) for size in SIZES for scheme in ("light", "dark")]
BAD_DRIVE = "wwn-5000a1400000005e"
PAGES = {
    "overview": "/",
    "cases": "/cases?all=yes",
    "case": "/case/CASE",
    "keep-quiet": "/case/CASE/quiet",
    "work": f"/case/CASE/work?hours=3&pool={ORCHARD}&expect+replace+{BAD_DRIVE}=yes",
    "quiet": "/quiet",
    "pool": f"/pool?pool={ORCHARD}",
    "whole-pool": f"/pool?pool=md:{CELLAR_UUID}&if_lost=wwn-5000a15000000010",
    "recovery": f"/recovery?pool={ORCHARD}",
    "ready": "/ready",
    "drive": f"/drive?drive={BAD_DRIVE}",
    "rules": "/rules",
    "rule": "/rules/margin-thinned",
    "manage": "/manage",
    "me": "/me",
    "refused": "/case/999",
}


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with sync_api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield browser
        browser.close()


@dataclass(slots=True)
class Served:
    """A stage with its pages on a port of this machine."""

    stage: Stage
    server: PageServer

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.server.port}"

    def address(self, path: str) -> str:
        return self.base + path.replace("CASE", str(self.stage.case_number() or 3))


def serve(scenes: int) -> Served:
    stage = stage_at(scenes, public="")
    server = PageServer(stage.site, 0)
    server.start()
    return Served(stage=stage, server=server)


@pytest.fixture(scope="module")
def compared() -> Iterator[Served]:
    one = serve(COMPARED)
    yield one
    one.server.stop()


@pytest.fixture
def fresh() -> Iterator[Served]:
    one = serve(WORSE)
    yield one
    one.server.stop()


@dataclass(slots=True)
class Seen:
    """What a browser asked for and complained of."""

    outside: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    bytes: int = 0


def new_page(
    chromium: Any, served: Served, size: str = "phone", scheme: str = "light", **words: Any
) -> tuple[Any, Seen]:
    wide, high = SIZES[size]
    context = chromium.new_context(
        viewport={"width": wide, "height": high}, color_scheme=scheme, **words
    )
    context.set_default_timeout(20_000)
    page = context.new_page()
    seen = Seen()

    def asked(request: Any) -> None:
        if not request.url.startswith((served.base, "data:")):
            seen.outside.append(request.url)

    def answered(response: Any) -> None:
        if response.status == 200:
            seen.bytes += int(response.headers["content-length"])

    page.on("request", asked)
    page.on("response", answered)
    page.on("console", lambda message: seen.said.append(message.text))
    page.on("pageerror", lambda error: seen.said.append(str(error)))
    return page, seen


def sign_in(page: Any, served: Served, name: str = "max") -> None:
    page.goto(served.base + "/sign-in")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(served.base + "/")


def shoot(page: Any, name: str) -> None:
    SHOTS.mkdir(parents=True, exist_ok=True)
    page.screenshot(path=SHOTS / f"{name}.png", full_page=True)


@pytest.mark.parametrize(("size", "scheme"), VIEWS, ids=str)
def test_every_page_fits_is_light_and_asks_nobody_else(
    chromium: Any, compared: Served, size: str, scheme: str
) -> None:
    page, seen = new_page(chromium, compared, size, scheme)
    sign_in(page, compared)
    for name, path in PAGES.items():
        seen.bytes = 0
        seen.said.clear()
        answer = page.goto(compared.address(path))
        assert answer.status == (404 if name == "refused" else 200), name
        assert seen.bytes < HEAVIEST_BYTES, (name, seen.bytes)
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= SIZES[size][0], (name, wide)
        if name != "refused":
            assert seen.said == [], name
        ground = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
        assert ground == {"light": "rgb(247, 245, 240)", "dark": "rgb(23, 22, 20)"}[scheme]
        shoot(page, f"{name}-{size}-{scheme}")
    assert seen.outside == []
    page.context.close()


def test_the_narrowest_phone_shows_every_page_without_scrolling_sideways(
    chromium: Any, compared: Served
) -> None:
    page, _ = new_page(chromium, compared)
    page.set_viewport_size({"width": 320, "height": 600})
    sign_in(page, compared)
    for name, path in PAGES.items():
        page.goto(compared.address(path))
        assert page.evaluate("document.documentElement.scrollWidth") <= 320, name
    page.context.close()


def test_with_letters_twice_as_large_no_page_scrolls_sideways(
    chromium: Any, compared: Served
) -> None:
    """As set in the browser for all pages (WCAG 2.1, 1.4.4 and 1.4.10)."""
    large = [*FLAGS, "--blink-settings=defaultFontSize=32"]
    browser = chromium.browser_type.launch(executable_path=CHROMIUM, args=large)
    page, _ = new_page(browser, compared)
    sign_in(page, compared)
    for width in (360, 640):
        page.set_viewport_size({"width": width, "height": 740})
        for name, path in PAGES.items():
            page.goto(compared.address(path))
            assert page.evaluate("document.documentElement.scrollWidth") <= width, name
    browser.close()


def test_with_forced_colours_the_margin_and_the_most_urgent_word_keep_their_marks(
    chromium: Any,
) -> None:
    served = serve(WRONG_PULL)
    page, _ = new_page(chromium, served, "desk", forced_colors="active")
    sign_in(page, served)
    ink, paper = page.evaluate(
        """() => ['color', 'backgroundColor'].map(
            what => getComputedStyle(document.body.parentElement)[what])"""
    )
    marked = page.evaluate(
        "getComputedStyle(document.querySelector('.urgency.now')).backgroundColor"
    )
    assert marked == ink != paper
    assert page.evaluate("getComputedStyle(document.querySelector('.blocks .left')).fill") == ink
    shoot(page, "forced-colours")
    page.context.close()
    served.server.stop()


@pytest.mark.parametrize("size", SIZES)
def test_a_long_name_in_a_table_makes_no_page_wider_than_its_screen(
    chromium: Any, compared: Served, size: str
) -> None:
    page, _ = new_page(chromium, compared, size)
    sign_in(page, compared)
    long = "behind the boiler in the cellar of the old house " * 4
    for name in ("pool", "drive", "case", "overview"):
        page.goto(compared.address(PAGES[name]))
        page.evaluate(
            """words => document.querySelectorAll('.words td:first-child a, .seat a, h1')
                .forEach(one => { one.textContent = words })""",
            long,
        )
        assert page.evaluate("document.documentElement.scrollWidth") <= SIZES[size][0], name
    page.context.close()


@cache
def axe() -> str:
    """Give axe-core's script, fetched once by npm; skips without npm or a way to it."""
    script = OUTPUT / "node_modules" / "axe-core" / "axe.min.js"
    if not script.exists():
        npm = shutil.which("npm")
        if npm is None:
            pytest.skip("needs npm for axe-core")
        OUTPUT.mkdir(exist_ok=True)
        done = subprocess.run(
            [npm, "install", "--prefix", OUTPUT, "--no-save", "--no-audit", "axe-core@4"],
            capture_output=True,
            check=False,
            timeout=120,
        )
        if done.returncode or not script.exists():
            pytest.skip("axe-core could not be fetched by npm")
    return str(script)


def serious_issues(
    page: Any, served: Any, pages: Mapping[str, str]
) -> dict[str, list[tuple[str, list[str]]]]:
    """Give what axe calls serious or critical on each page that has such a thing."""
    script = axe()
    found = {}
    for name, path in pages.items():
        page.goto(served.address(path))
        page.add_script_tag(path=script)
        result = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
        bad = [
            (one["id"], [node["html"][:120] for node in one["nodes"][:3]])
            for one in result["violations"]
            if one["impact"] in {"serious", "critical"}
        ]
        if bad:
            found[name] = bad
    return found


@pytest.mark.parametrize(("size", "scheme"), [("phone", "dark"), ("desk", "light")])
def test_axe_finds_no_serious_issue_on_any_page(
    chromium: Any, compared: Served, size: str, scheme: str
) -> None:
    page, _ = new_page(chromium, compared, size, scheme, bypass_csp=True)
    sign_in(page, compared)
    pages = PAGES | {"link": compared.stage.links()[-1]}
    assert serious_issues(page, compared, pages) == {}
    page.context.close()


@pytest.mark.parametrize("scripts", [True, False], ids=["with-scripts", "without"])
def test_from_the_message_one_tap_and_one_button_take_the_case(
    chromium: Any, fresh: Served, *, scripts: bool
) -> None:
    page, seen = new_page(chromium, fresh, "phone", "dark", java_script_enabled=scripts)
    page.goto(fresh.base + fresh.stage.links()[-1])
    assert page.get_by_role("heading", name="Next").is_visible()
    form = page.locator("form[action$='/take']")
    sent = {
        "ticket": form.locator("[name=ticket]").input_value(),
        "until": form.locator("[name=until]").input_value(),
    }
    action = form.get_attribute("action")
    page.get_by_label("A word for the others").fill("on my way")
    page.get_by_role("button", name="Take it").click()
    page.get_by_text("It is yours until then").wait_for()
    assert "ada has it until" in page.content().replace("Ada has it until", "ada has it until")
    shoot(page, f"taken-by-link-{'with' if scripts else 'without'}-scripts")
    again = page.request.post(fresh.base + action, form=sent)
    assert again.status == 409
    assert "nothing was done a second time" in again.text()
    assert seen.outside == []
    page.context.close()


def test_the_button_can_be_seen_on_the_first_screens_of_a_phone(
    chromium: Any, fresh: Served
) -> None:
    page, _ = new_page(chromium, fresh)
    page.goto(fresh.base + fresh.stage.links()[-1])
    box = page.get_by_role("button", name="Take it").bounding_box()
    assert box["y"] < 2 * SIZES["phone"][1]
    assert box["height"] >= 44, "a target that a thumb meets (WCAG 2.1, 2.5.5)"
    page.context.close()


def test_the_first_page_answers_on_the_first_screens_of_a_phone(
    chromium: Any, compared: Served
) -> None:
    """Whether the data is protected and until when on the first, what to do on the second."""
    page, _ = new_page(chromium, compared)
    sign_in(page, compared)
    high = SIZES["phone"][1]
    assert page.get_by_text("Full margin proven back likely").bounding_box()["y"] < high
    step = page.get_by_text("Check seat, cable and power").bounding_box()
    assert step["y"] + step["height"] < 2 * high
    page.context.close()


def test_a_number_behind_a_name_that_is_read_from_the_right_stays_behind_it(
    chromium: Any, compared: Served
) -> None:
    """Unicode's rules for two directions (UAX 9) would else put it before the name."""
    page, _ = new_page(chromium, compared, "desk")
    sign_in(page, compared)
    edges = page.evaluate(
        """() => {
            const name = document.querySelector('li.pool .item a');
            const rest = document.querySelector('li.pool .item .soft');
            name.textContent = '\u0645\u0631\u0622\u0628';
            rest.textContent = '9 drives';
            return [name.getBoundingClientRect().right, rest.getBoundingClientRect().left];
        }"""
    )
    assert edges[0] <= edges[1]
    page.context.close()


def test_ended_and_tampered_links_open_nothing(chromium: Any, fresh: Served) -> None:
    page, _ = new_page(chromium, fresh)
    link = fresh.stage.links()[-1]
    answer = page.goto(fresh.base + link[:-3] + "abc")
    assert answer.status == 404
    assert page.get_by_text("This link does not work").is_visible()
    fresh.stage.clock.pass_by(LINK_LIVES * 2)
    answer = page.goto(fresh.base + link)
    assert answer.status == 410
    shoot(page, "link-ended")
    page.context.close()


def test_planned_work_is_announced_from_the_phone_after_its_preview(
    chromium: Any, fresh: Served
) -> None:
    page, _ = new_page(chromium, fresh)
    page.goto(fresh.base + fresh.stage.links()[-1])
    page.get_by_role("link", name="Planned work…").click()
    page.get_by_role("group", name="Replaced in orchard").get_by_label("bay 5").check()
    page.get_by_role("button", name="Show what this would do").click()
    preview = page.get_by_role("status")
    assert "Still sounds" in preview.inner_text()
    shoot(page, "work-preview")
    page.get_by_role("button", name="Announce it until").click()
    page.get_by_text("The work is written down").wait_for()
    page.context.close()


STORY = {
    "worse": (WORSE, "Can lose 2 more drives: its full margin"),
    "compared": (COMPARED, "ada has it until"),
    "wrong-pull": (WRONG_PULL, "Can lose no drive more"),
    "rebuilding": (REBUILDING, "Rebuild running"),
    "over": (OVER, "its full margin"),
}


@pytest.mark.parametrize("name", STORY)
def test_the_story_is_told_by_the_pages_at_each_of_its_turns(chromium: Any, name: str) -> None:
    scenes, words = STORY[name]
    served = serve(scenes)
    page, seen = new_page(chromium, served, "desk")
    sign_in(page, served, "ada")
    assert words in page.content()
    shoot(page, f"story-{name}-overview")
    page.get_by_role("link", name="orchard").first.click()
    page.get_by_role("heading", name="Members").wait_for()
    shoot(page, f"story-{name}-page")
    page.get_by_role("link", name="Cases").click()
    page.get_by_role("heading", name="Cases").wait_for()
    first = page.locator("li.case a").first
    if first.count():
        first.click()
        page.get_by_role("heading", name="What happened").wait_for()
        shoot(page, f"story-{name}-case")
    assert seen.outside == []
    assert served.stage.site.kept["troubles"] == []
    page.context.close()
    served.server.stop()


def test_the_keyboard_reaches_the_content_first_and_shows_where_it_is(
    chromium: Any, compared: Served
) -> None:
    page, _ = new_page(chromium, compared, "desk")
    sign_in(page, compared)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "To the content"
    page.keyboard.press("Tab")
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"
    page.context.close()


def test_on_paper_there_are_no_buttons_and_everything_else_is(
    chromium: Any, compared: Served
) -> None:
    page, _ = new_page(chromium, compared, "desk")
    sign_in(page, compared)
    page.goto(compared.address("/case/CASE"))
    page.emulate_media(media="print")
    assert not page.get_by_role("button", name="Take it").is_visible()
    assert page.get_by_role("heading", name="What happened").is_visible()
    assert page.get_by_text("found by").first.is_visible(), "what it rests on, without a tap"
    after = "t => getComputedStyle(t, '::after').content"
    said = page.locator("main time").first.evaluate(after)
    assert re.search(r"\d\d [A-Z][a-z]+ 20\d\d \d\d:\d\d", said), "a day that is plain weeks later"
    page.emulate_media(media="screen")
    assert page.locator("main time").first.evaluate(after) == "none"
    page.emulate_media(media="print")
    shoot(page, "case-on-paper")
    page.context.close()


def test_in_grey_every_state_of_a_bay_looks_different(chromium: Any, compared: Served) -> None:
    """Whatever the colours, the frames alone tell the states apart."""
    page, _ = new_page(chromium, compared, "desk")
    sign_in(page, compared)
    page.goto(compared.base + "/")
    looks = page.evaluate(
        """() => ["quiet", "sign", "gone", "asleep", "blind"].map(kind => {
            const seat = document.createElement("li");
            seat.className = "seat " + kind;
            document.querySelector("ul.bays").append(seat);
            const style = getComputedStyle(seat);
            return [style.borderTopStyle, style.borderTopWidth].join(" ");
        })"""
    )
    assert len(set(looks)) == len(looks), looks
    page.context.close()


def test_a_rebuild_moves_on_the_open_page_and_a_page_that_cannot_be_renewed_says_so(
    chromium: Any,
) -> None:
    served = serve(REBUILDING)
    page, seen = new_page(chromium, served)
    sign_in(page, served)
    page.goto(served.base + f"/pool?pool={ORCHARD}")
    shoot(page, "rebuilding")
    further = {
        "runs": True,
        "says": "",
        "parts": {
            "work": {"text": "Rebuild running, 77% done"},
            "likely": {
                "text": "tomorrow 04:00",
                "stamp": "2026-03-03T04:00:00Z",
                "full": "03 Mar 2026 04:00",
            },
        },
    }
    over = {"runs": False, "says": "The work on this pool has ended.", "parts": {}}
    answers = [
        lambda r: r.fulfill(json=further),
        lambda r: r.abort(),
        lambda r: r.fulfill(json=over),
    ]
    page.route("**/pool/progress?*", lambda route: answers.pop(0)(route))  # noqa: PLW0108 - one each
    look = "document.dispatchEvent(new Event('visibilitychange'))"
    page.evaluate(look)
    page.get_by_text("Rebuild running, 77% done").wait_for()
    assert page.locator("[data-live-part=likely] time").get_attribute("datetime") == (
        "2026-03-03T04:00:00Z"
    )
    assert page.locator("[data-live-part=likely] time").get_attribute("data-full") == (
        "03 Mar 2026 04:00"
    )
    assert page.get_by_role("status").inner_text() == ""
    page.evaluate(look)
    page.get_by_text("cannot be brought up to date").wait_for()
    page.evaluate(look)
    page.get_by_text("The work on this pool has ended.").wait_for()
    page.evaluate(look)  # it has stopped asking: an answer more would be missing in the list
    assert seen.outside == []
    page.context.close()
    served.server.stop()


def test_a_chart_wider_than_the_phone_shows_its_latest_part_first(
    chromium: Any, compared: Served
) -> None:
    page, _ = new_page(chromium, compared)
    sign_in(page, compared)
    page.goto(compared.base + f"/drive?drive={BAD_DRIVE}")
    edges = page.evaluate(
        "[...document.querySelectorAll('.newest svg')].map(c => c.getBoundingClientRect().right)"
    )
    assert edges
    assert max(edges) <= SIZES["phone"][0]
    page.set_viewport_size({"width": 1000, "height": 800})
    assert page.evaluate(
        """[...document.querySelectorAll('.newest svg')].every(
            c => c.getBoundingClientRect().left === c.parentElement.getBoundingClientRect().left)"""
    )
    page.context.close()
