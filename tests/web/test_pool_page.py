from __future__ import annotations

from dataclasses import replace
from urllib.parse import urlencode

from tests.web.browser import Browser, Page
from tests.web.stage import COMPARED, OVER, REBUILDING, stage_at
from watcher.demo.story import CELLAR_UUID, ORCHARD
from watcher.facts.drive import DriveIdentity, Medium, Protocol
from watcher.facts.identity import DriveId, PoolId
from watcher.facts.margin import judge_pool
from watcher.facts.pool import PoolKind, RedundancySet
from watcher.facts.readiness import ShelfSpare


def page(path: str, scenes: int = COMPARED, **words: str) -> Page:
    browser = Browser(stage_at(scenes).site)
    browser.sign_in("lou")
    return browser.get(f"{path}?{urlencode(words)}")


def test_a_thinned_pool_shows_its_window_part_by_part_and_the_choices() -> None:
    text = page("/pool", pool=ORCHARD).text
    for words in (
        "waiting for a spare",
        "rebuild",
        "verify",
        "Safest first",
        "Rebuild as soon as a new drive is here",
    ):
        assert words in text
    assert 'class="left"' in text
    assert 'class="lost"' in text


def test_the_parts_end_when_the_sentence_says_they_do() -> None:
    text = page("/pool", pool=ORCHARD).text
    sentence = text.partition("proven back likely <b>")[2]
    likely = sentence.partition("</time>")[0].rpartition(">")[2]
    last_row = text.partition("<td>verify</td>")[2].partition("</tr>")[0]
    assert likely in last_row


def test_a_whole_pool_has_no_window_but_can_lose_a_drive_on_paper() -> None:
    pool = f"md:{CELLAR_UUID}"
    text = page("/pool", pool=pool).text
    assert "no window is open" in text
    on_paper = page("/pool", pool=pool, if_lost="wwn-5000a15000000010").text
    assert "on paper" in on_paper
    assert "waiting for a spare" in on_paper
    assert page("/pool", pool=pool, if_lost="nowhere").status == 404


def test_on_paper_nothing_is_waited_for_that_lies_on_the_shelf() -> None:
    stage = stage_at()
    who = DriveIdentity(
        drive=DriveId("spare"), model="Altair A8", serial="Z9", protocol=Protocol.ATA,
        medium=Medium.ROTATING, capacity_bytes=8_001_563_222_016,
    )  # fmt: skip
    with stage.store.transaction() as tx:
        tx.add_spare(
            stage.site.terms.standing.box,
            ShelfSpare(number=1, identity=who, added_at=stage.clock.now()),
        )
    browser = Browser(stage.site)
    browser.sign_in("lou")
    words = {"pool": f"md:{CELLAR_UUID}", "if_lost": "wwn-5000a15000000010"}
    assert "waiting for a spare" not in browser.get(f"/pool?{urlencode(words)}").text


def test_a_drive_that_is_out_already_is_not_lost_once_more_on_paper() -> None:
    stage = stage_at()
    box = stage.site.terms.standing.box
    with stage.store.snapshot() as tx:
        survey = tx.last_survey(box)
    assert survey is not None
    (thin,) = (pool for pool in survey.pools if pool.pool == ORCHARD)
    out = {drive for drive in thin.drives if drive not in survey.present}
    assert out
    text = page("/pool", pool=ORCHARD).text
    for drive in thin.drives:
        assert (f'<option value="{drive}">' in text) is (drive not in out)
        answer = page("/pool", pool=ORCHARD, if_lost=drive)
        assert (answer.status == 404) is (drive in out)


def test_a_filesystem_on_an_encrypted_array_says_that_the_array_bears_a_loss() -> None:
    """Else it is said of it that any drive lost costs data."""
    stage = stage_at()
    box = stage.site.terms.standing.box
    with stage.store.transaction() as tx:
        seen = tx.last_survey(box)
        assert seen is not None
        array = next(p for p in seen.pools if p.pool == f"md:{CELLAR_UUID}")
        (one, *_) = array.in_tree
        above = judge_pool(
            pool=PoolId("btrfs:files"),
            name="files",
            kind=PoolKind.BTRFS,
            layout="single",
            observed_at=stage.clock.now(),
            tree=RedundancySet(
                name="single", bears=0, parts=(replace(one, stands_on=(str(array.node),)),)
            ),
        )
        now = stage.clock.now()
        fresh = replace(seen, survey="fresh", taken_at=now, pools=(*seen.pools, above))
        tx.take_survey(fresh, now)
    browser = Browser(stage.site)
    browser.sign_in("lou")
    text = browser.get("/pool?pool=btrfs%3Afiles").text
    assert f"It stands on {array.name}: a lost drive is borne there." in text
    assert "Can lose 1 more drive: its full margin." in text
    assert "Built with no margin" not in text + browser.get("/").text
    assert "It stands on" not in browser.get(f"/pool?pool=md%3A{CELLAR_UUID}").text


def test_a_rebuild_shows_how_far_it_is() -> None:
    text = page("/pool", REBUILDING, pool=ORCHARD).text
    assert "Rebuild running" in text
    assert "share done" in text


def test_there_is_no_pool_of_another_name() -> None:
    assert page("/pool", pool="nowhere").status == 404
    assert page("/pool").status == 404


def test_the_way_back_shows_where_it_is_and_what_to_do_and_leave_alone() -> None:
    text = page("/recovery", pool=ORCHARD).text
    for words in ("get a drive", "to come", "Leave alone meanwhile", "The written record"):
        assert words in text
    assert 'aria-current="step"' in text
    assert text.index("proven back likely") < text.index("get a drive</b>")


def test_a_member_that_the_pool_lists_no_more_is_said_to_be_so() -> None:
    text = page("/pool", REBUILDING, pool=ORCHARD).text
    assert ">not listed any more</td>" in text
    assert 'data-as="The pool calls it"></td>' not in text


def test_a_way_back_that_is_over_says_how_it_ended() -> None:
    found = page("/recovery", OVER, pool=ORCHARD)
    assert found.status == 200
    assert "whole" in found.text


def test_there_is_no_way_back_of_a_pool_that_lost_nothing() -> None:
    assert page("/recovery", pool=f"md:{CELLAR_UUID}").status == 404


def test_how_prepared_a_box_is_is_told_line_by_line_with_the_rule() -> None:
    text = page("/ready").text
    assert "Shelf" in text or "shelf" in text
    assert "/rules/" in text
