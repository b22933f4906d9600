"""The pages of a hub in a real browser: the shop's, a client's, and the reports to print.

As in ``test_pages``: skipped without Chromium or Playwright; screenshots below
``tests/output/pages``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import pytest

from tests.browser.test_pages import (
    HEAVIEST_BYTES,
    SIZES,
    chromium,
    new_page,
    serious_issues,
    shoot,
    sign_in,
)
from tests.web.hub_stage import HubStage, hub_stage
from watcher.web.server import PageServer

__all__ = ["chromium"]  # the fixture of a browser

CLIENT = "client=Orchard+Press"
PAGES = {
    "shop": "/",
    "shop-client": f"/client?{CLIENT}",
    "shop-box": "/?box=barn",
    "shop-quiet-form": f"/client/quiet?{CLIENT}&until=UNTIL&reason=moving",
    "shop-invite": f"/client/invite?{CLIENT}",
    "shop-work-list": "/work-list",
    "shop-month": f"/month?{CLIENT}&month=2026-03",
    "shop-cases": "/cases",
    "shop-kept-quiet": "/quiet",
}


@dataclass(slots=True)
class Served:
    """A hub with its pages on a port of this machine."""

    stage: HubStage
    server: PageServer

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.server.port}"

    def address(self, path: str) -> str:
        until = (self.stage.clock.now() + timedelta(hours=5)).isoformat().replace("+", "%2B")
        return self.base + path.replace("UNTIL", until)


def serve() -> Served:
    stage = hub_stage(public="")
    server = PageServer(stage.site, 0)
    server.start()
    return Served(stage=stage, server=server)


@pytest.fixture(scope="module")
def hub() -> Iterator[Served]:
    one = serve()
    yield one
    one.server.stop()


@pytest.fixture
def fresh() -> Iterator[Served]:
    one = serve()
    yield one
    one.server.stop()


@pytest.mark.parametrize(("size", "scheme"), [("phone", "light"), ("desk", "dark")], ids=str)
def test_every_page_of_the_shop_fits_is_light_and_asks_nobody_else(
    chromium: Any, hub: Served, size: str, scheme: str
) -> None:
    page, seen = new_page(chromium, hub, size, scheme)
    sign_in(page, hub, "sam")
    for name, path in PAGES.items():
        seen.bytes = 0
        seen.said.clear()
        assert page.goto(hub.address(path)).status == 200, name
        assert seen.bytes < HEAVIEST_BYTES, (name, seen.bytes)
        assert page.evaluate("document.documentElement.scrollWidth") <= SIZES[size][0], name
        assert seen.said == [], name
        shoot(page, f"{name}-{size}-{scheme}")
    assert seen.outside == []
    page.context.close()


@pytest.mark.parametrize(("size", "scheme"), [("phone", "dark"), ("desk", "light")])
def test_axe_finds_no_serious_issue_on_any_page_of_the_shop(
    chromium: Any, hub: Served, size: str, scheme: str
) -> None:
    page, _ = new_page(chromium, hub, size, scheme, bypass_csp=True)
    sign_in(page, hub, "sam")
    assert serious_issues(page, hub, PAGES) == {}
    page.context.close()


def test_the_shop_takes_a_case_from_the_front_page_and_keeps_a_client_quiet(
    chromium: Any, fresh: Served
) -> None:
    page, _ = new_page(chromium, fresh, "phone")
    sign_in(page, fresh, "sam")
    page.get_by_role("link", name="orchard", exact=True).first.click()
    page.get_by_role("button", name="Take it").click()
    page.get_by_text("It is yours until then").wait_for()
    page.goto(fresh.address(f"/client?{CLIENT}"))
    page.get_by_role("link", name=re.compile("Keep all boxes")).click()
    page.get_by_role("button", name="Show what this would do").click()
    page.get_by_label("Why, for whoever wonders later").last.fill("moving house")
    page.get_by_role("button", name=re.compile("Keep all of it quiet")).click()
    page.get_by_text("Quiet from now on").wait_for()
    page.context.close()


def test_a_client_sees_the_own_boxes_only_and_no_work_list(chromium: Any, hub: Served) -> None:
    page, _ = new_page(chromium, hub, "desk")
    sign_in(page, hub, "ann")
    assert page.get_by_role("link", name="press").first.is_visible()
    assert "barn" not in page.content()
    assert page.get_by_role("link", name="Work list").count() == 0
    shoot(page, "client-front-desk")
    page.context.close()


def test_the_report_of_a_month_prints_within_a_page_for_each_box(
    chromium: Any, hub: Served
) -> None:
    page, _ = new_page(chromium, hub, "desk")
    sign_in(page, hub, "sam")
    page.goto(hub.address(PAGES["shop-month"]))
    printed = page.pdf(format="A4")
    pages = len(re.findall(rb"/Type\s*/Page\b", printed))
    boxes = page.locator("section.box").count()
    assert pages <= boxes + 1
    page.emulate_media(media="print")
    assert not page.get_by_role("navigation").first.is_visible()
    shoot(page, "shop-month-printed")
    page.context.close()
