"""Who comes in where, and what happens to requests that are not as they should be."""

from __future__ import annotations

from urllib.parse import urlencode

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.web.browser import Browser
from tests.web.stage import WORSE, stage_at
from watcher.store.errors import StoreFull
from watcher.web import signin
from watcher.web.app import WAYS, Way, make_app
from watcher.web.ask import Ask, Needs, Reply
from watcher.web.site import Site


def fill(path: str) -> str:
    return (
        path.replace("{number:int}", "3")
        .replace("{name}", "midwatch.css" if "static" in path else "margin-thinned")
        .replace("{link}", "1.c3.1.a.a.a")
    )


@pytest.mark.parametrize("way", WAYS, ids=lambda way: f"{way.method} {way.path}")
def test_nobody_comes_in_anywhere_without_an_account_a_link_or_a_token(way: Way) -> None:
    stage = stage_at(WORSE)
    page = Browser(stage.site).ask(
        way.method, fill(way.path), form={"x": "y"} if way.method == "POST" else None
    )
    if way.needs is Needs.NOTHING and way.method == "GET":
        assert page.status == 200
    elif way.needs is Needs.LINK:
        assert page.status == 404
    elif way.program:
        assert page.status == 401
        assert page.header("www-authenticate").startswith("Bearer")
    elif way.method == "GET":
        assert page.status == 303
        assert page.header("location").startswith("/sign-in?next=")
    else:
        assert page.status in {401, 403}


@pytest.mark.parametrize(
    "way", [w for w in WAYS if w.method == "POST" and not w.program], ids=lambda way: way.path
)
def test_no_form_is_taken_without_its_ticket(way: Way) -> None:
    stage = stage_at(WORSE)
    browser = Browser(stage.site)
    browser.sign_in("max")
    path = fill(way.path)
    if way.needs is Needs.LINK:
        path = way.path.replace("/a/{link}", stage.links()[-1])
    for ticket in ({}, {"ticket": ""}, {"ticket": "1.9999999999.x.y"}):
        page = browser.post(path, {"number": "1", **ticket})
        assert page.status == 403
        assert "nothing was done" in page.text


def test_a_form_that_another_site_sends_is_not_taken() -> None:
    stage = stage_at(WORSE)
    browser = Browser(stage.site)
    browser.sign_in("ada")
    form = browser.get(f"/case/{stage.case_number()}").form("/take")
    for headers in (
        {"origin": "https://evil.example"},
        {"origin": "null"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ):
        page = browser.post(form.action, form.fields, headers=headers)
        assert page.status == 403
        assert "did not come from a page of ours" in page.text
    good = {"origin": "https://watch.example", "sec-fetch-site": "same-origin"}
    assert browser.post(form.action, form.fields, headers=good).status == 303


def test_a_form_of_one_account_is_not_taken_from_another() -> None:
    stage = stage_at(WORSE)
    one, other = Browser(stage.site), Browser(stage.site)
    one.sign_in("ada")
    other.sign_in("max")
    form = one.get(f"/case/{stage.case_number()}").form("/take")
    assert other.send(form).status == 403


def test_a_body_that_is_no_form_or_too_much_is_refused() -> None:
    stage = stage_at(WORSE)
    browser = Browser(stage.site)
    assert (
        browser.ask("POST", "/sign-in", body=b"x", headers={"content-type": "text/xml"}).status
        == 415
    )
    assert browser.ask("POST", "/sign-in", body=b"x" * 20000).status == 413
    many = "&".join(f"a{n}=1" for n in range(100)).encode()
    kind = {"content-type": "application/x-www-form-urlencoded"}
    assert browser.ask("POST", "/sign-in", body=many, headers=kind).status == 400
    hidden = {"content-type": "application/x-www-form-urlencoded", "content-length": "1"}
    assert browser.ask("POST", "/sign-in", body=b"x" * 20000, headers=hidden).status == 413


def test_who_is_not_signed_in_is_sent_to_sign_in_whatever_they_ask_for() -> None:
    stage = stage_at(WORSE)
    page = Browser(stage.site).get("/pool?path=a&self=b&next=c")
    assert page.status == 303
    assert page.header("location").startswith("/sign-in?next=")
    assert stage.site.kept["troubles"] == []


@pytest.mark.parametrize("path", ["/nothing/here", "/sign-in/", "/a/1.c3.1.a.a.a/"])
def test_a_page_that_is_not_there_is_said_on_a_page_with_the_way_on(path: str) -> None:
    page = Browser(stage_at(WORSE).site).get(path)
    assert (page.status, page.header("location")) == (404, "")
    assert page.header("content-security-policy")
    assert "There is no page here." in page.text
    assert '<a href="/">To the overview</a>' in page.text


def test_a_form_sent_after_the_session_ended_leads_to_signing_in_and_back_to_its_page() -> None:
    stage = stage_at(WORSE)
    browser = Browser(stage.site)
    browser.sign_in("ada")
    form = browser.get(f"/case/{stage.case_number()}").form("/take")
    browser.cookies.clear()
    came_from = {"referer": "https://watch.example/case/3?box=attic"}
    page = browser.post(form.action, form.fields, headers=came_from)
    assert page.status == 401
    assert '<a href="/sign-in?next=%2Fcase%2F3%3Fbox%3Dattic">Sign in</a>' in page.text


@pytest.mark.parametrize("referer", ["", "http://[", "https://x//evil.example/", "javascript:a()"])
def test_a_refusal_leads_to_no_page_but_ours(referer: str) -> None:
    page = Browser(stage_at(WORSE).site).post("/me/password", {}, headers={"referer": referer})
    assert page.status == 401
    assert '<a href="/sign-in?next=%2F">Sign in</a>' in page.text


def test_a_store_that_gives_way_is_told_and_a_fault_of_ours_as_well() -> None:
    stage = stage_at(WORSE)

    def full(_site: Site, _ask: Ask) -> Reply:
        raise StoreFull("the disk is full: make room")

    def faulty(_site: Site, _ask: Ask) -> Reply:
        raise ZeroDivisionError

    browser = Browser(stage.site)
    browser.app = make_app(
        stage.site,
        (
            Way(path="/full", handler=full, needs=Needs.NOTHING),
            Way(path="/full", handler=full, needs=Needs.NOTHING, method="POST"),
            Way(path="/sign-in", handler=signin.form, needs=Needs.NOTHING),
            Way(path="/faulty", handler=faulty, needs=Needs.NOTHING),
        ),
    )
    assert browser.get("/full").status == 503
    form = {"ticket": browser.get("/sign-in").form("/sign-in").fields["ticket"]}
    assert "Nothing was done." in browser.post("/full", form).text
    page = browser.get("/faulty")
    assert page.status == 500
    assert "ZeroDivision" not in page.text
    told = stage.site.kept["troubles"]
    assert "the disk is full" in told[0]
    assert "ZeroDivisionError" in told[-1]


def test_where_a_request_comes_from_is_believed_behind_tls_and_only_the_last_word() -> None:
    stage = stage_at(WORSE)
    headers = {"x-forwarded-for": "6.6.6.6, 203.0.113.9"}
    for _ in range(8):
        form = Browser(stage.site).get("/sign-in").form("/sign-in")
        Browser(stage.site).post(
            "/sign-in", form.fields | {"name": "x", "password": "y"}, headers=headers
        )
    with stage.store.snapshot() as tx:
        assert {line.address for line in tx.audit()} == {"203.0.113.9"}
    plain = stage_at(WORSE, public="")
    form = Browser(plain.site, host="localhost").get("/sign-in").form("/sign-in")
    Browser(plain.site, host="localhost").post(
        "/sign-in", form.fields | {"name": "x", "password": "y"}, headers=headers
    )
    with plain.store.snapshot() as tx:
        assert {line.address for line in tx.audit()} == {"127.0.0.1"}


STAGE = stage_at(WORSE)
SIGNED_IN = Browser(STAGE.site)
SIGNED_IN.sign_in("max")
PATHS = sorted({fill(way.path) for way in WAYS if way.method == "GET"} - {fill("/a/{link}")})
WORDS = st.one_of(
    st.sampled_from(
        [
            "attic",
            "md:6d1dfa52:0b3c7e11:9a44c0de:51e77a01",
            "wwn-5000a1400000005e",
            "day",
            "all",
            "yes",
            "%00",
            "../..",
            "3",
            "-1",
            "expect replace x",
        ]
    ),
    st.text(max_size=20),
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    path=st.sampled_from(PATHS),
    query=st.dictionaries(
        st.sampled_from(
            [
                "box",
                "pool",
                "drive",
                "range",
                "metric",
                "if_lost",
                "all",
                "done",
                "next",
                "scope",
                "until",
                "until_other",
                "reason",
                "hours",
                "begins",
                "expect replace x",
                "expect degraded",
                "path",
            ]
        ),
        WORDS,
        max_size=5,
    ),
)
def test_no_words_in_an_address_make_a_page_fail(path: str, query: dict[str, str]) -> None:
    text = urlencode({k: v.encode("utf-8", "replace") for k, v in query.items()})
    page = SIGNED_IN.get(f"{path}?{text}")
    assert page.status < 500, (path, query, STAGE.site.kept["troubles"])


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    way=st.sampled_from(
        [
            w
            for w in WAYS
            if w.method == "POST"
            and not w.program
            and w.needs is not Needs.LINK
            and w.path not in {"/sign-in", "/sign-out", "/me/password", "/manage/end-sessions"}
        ]
    ),
    form=st.dictionaries(
        st.sampled_from(
            [
                "box",
                "until",
                "until_other",
                "note",
                "to",
                "scope",
                "reason",
                "pool",
                "hours",
                "begins",
                "mark",
                "expect replace x",
                "expect box-off",
                "name",
            ]
        ),
        WORDS,
        max_size=6,
    ),
)
def test_no_words_in_a_form_make_a_page_fail(way: Way, form: dict[str, str]) -> None:
    ticket = SIGNED_IN.get("/me").form("/sign-out").fields["ticket"]
    clean = {k: v.encode("utf-8", "replace").decode() for k, v in form.items()}
    page = SIGNED_IN.post(fill(way.path), clean | {"ticket": ticket})
    assert page.status < 500, (way.path, form, STAGE.site.kept["troubles"])
