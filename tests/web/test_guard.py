"""What stands before every page: names, sizes, headers."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from tests.web.browser import Browser
from tests.web.stage import WORSE, stage_at
from watcher.web.guard import (
    LARGEST_BODY,
    LARGEST_HEAD,
    LONGEST_PATH,
    LONGEST_QUERY,
    MOST_HEADERS,
    host_name,
    hosts_of,
)


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "watch.example.evil.example",
        "",
        "watch.example/x",
        "watch.example@evil",
        "127.0.0.1 evil",
        "[::1",
        "watch.example:x",
    ],
)
def test_a_page_is_reached_under_its_own_names_only(host: str) -> None:
    browser = Browser(stage_at(WORSE).site, host=host)
    assert browser.get("/sign-in").status == 421


@pytest.mark.parametrize(
    "host", ["watch.example", "WATCH.example:443", "localhost:8377", "127.0.0.1", "[::1]:8377"]
)
def test_the_names_that_the_settings_give_and_this_machine_s_own_are_right(host: str) -> None:
    assert Browser(stage_at(WORSE).site, host=host).get("/sign-in").status == 200


def test_a_program_is_refused_in_json_wherever_it_is_refused() -> None:
    browser = Browser(stage_at(WORSE).site)
    for page in (
        browser.get("/api/nothing"),
        browser.ask("DELETE", "/api/boxes"),
        browser.ask("POST", "/api/boxes"),
        browser.get("/api/boxes?a=" + "a" * LONGEST_QUERY),
        Browser(stage_at(WORSE).site, host="evil.example").get("/api/boxes"),
    ):
        assert page.header("content-type") == "application/json"
        assert json.loads(page.text)["status"] == page.status


def test_two_hosts_or_none_are_refused() -> None:
    browser = Browser(stage_at(WORSE).site)
    assert browser.get("/sign-in", raw=[(b"host", b"watch.example")]).status == 421


def test_away_from_loopback_the_loopback_names_are_not_ours() -> None:
    site = stage_at(WORSE).site
    site.terms = replace(site.terms, listen_address="192.0.2.7")
    assert hosts_of(site) == {"192.0.2.7", "watch.example"}


@pytest.mark.parametrize(
    "method", ["PUT", "DELETE", "TRACE", "CONNECT", "PATCH", "OPTIONS", "BREW"]
)
def test_other_methods_are_not_understood(method: str) -> None:
    assert Browser(stage_at(WORSE).site).ask(method, "/").status == 405


def test_what_is_too_long_is_refused_before_anything_looks_into_it() -> None:
    browser = Browser(stage_at(WORSE).site)
    assert browser.get("/" + "a" * LONGEST_PATH).status == 414
    assert browser.get("/?a=" + "a" * LONGEST_QUERY).status == 414
    assert browser.get("/", headers={"x": "a" * LARGEST_HEAD}).status == 431
    many = {f"x-{n}": "1" for n in range(MOST_HEADERS)}
    assert browser.get("/", headers=many).status == 431
    assert (
        browser.ask("POST", "/sign-in", headers={"content-length": str(LARGEST_BODY + 1)}).status
        == 413
    )
    assert browser.ask("POST", "/sign-in", headers={"content-length": "-1"}).status == 413


@pytest.mark.parametrize("path", ["/sign-in", "/static/midwatch.css", "/nothing", "/"])
def test_every_answer_has_the_safe_headers(path: str) -> None:
    page = Browser(stage_at(WORSE).site).get(path)
    policy = page.header("content-security-policy")
    assert "default-src 'none'" in policy
    assert "script-src 'self';" in policy  # one file of ours; nothing within a page
    assert "connect-src 'self';" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    for name, value in (
        ("x-content-type-options", "nosniff"),
        ("x-frame-options", "DENY"),
        ("referrer-policy", "same-origin"),
        ("cross-origin-resource-policy", "same-origin"),
        ("strict-transport-security", "max-age=31536000"),
    ):
        assert page.header(name) == value
    kept = page.header("cache-control")
    assert kept == "no-store" or path.startswith("/static/")


def test_without_tls_nothing_is_said_of_tls() -> None:
    page = Browser(stage_at(WORSE, public="").site, host="localhost").get("/sign-in")
    assert page.header("strict-transport-security") == ""


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e/app.py",
        "/static//etc/passwd",
        "/static/midwatch.css/x",
    ],
)
def test_no_path_leads_out_of_the_folder_of_files(path: str) -> None:
    page = Browser(stage_at(WORSE).site).get(path)
    assert page.status == 404
    assert b"import" not in page.body


def test_a_host_is_a_name_and_perhaps_a_port() -> None:
    assert host_name("[::1]:80") == "::1"
    assert host_name("Watch.Example:8443") == "watch.example"
    assert host_name("user@watch.example") == ""
