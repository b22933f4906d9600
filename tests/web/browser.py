"""A small browser of our own: speaks ASGI to the pages, keeps cookies, fills in forms."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any
from urllib.parse import unquote, urlencode, urlsplit

from tests.web.stage import PASSWORD, PUBLIC
from watcher.web.app import make_app
from watcher.web.site import Site


@dataclass(slots=True)
class Form:
    """One form of a page: where it goes and what is filled in already."""

    method: str
    action: str
    fields: dict[str, str] = field(default_factory=dict)


class _Forms(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.forms: list[Form] = []
        self._select = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        at = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.forms.append(Form(at.get("method", "get"), at.get("action", "")))
        elif self.forms and tag == "input" and "name" in at:
            if at.get("type") in {"checkbox", "radio"} and "checked" not in at:
                return
            self.forms[-1].fields[at["name"]] = at.get("value", "")
        elif self.forms and tag == "select":
            self._select = at["name"]
        elif self.forms and tag == "option" and self._select:
            known = self.forms[-1].fields
            if self._select not in known or "selected" in at:
                known[self._select] = at.get("value", "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "select":
            self._select = ""


@dataclass(slots=True)
class Page:
    """What came back."""

    status: int
    headers: list[tuple[str, str]]
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode()

    def header(self, name: str) -> str:
        return next((value for key, value in self.headers if key == name), "")

    @property
    def forms(self) -> list[Form]:
        parser = _Forms()
        parser.feed(self.text)
        return parser.forms

    def form(self, ending: str) -> Form:
        """Give the form whose action ends so."""
        return next(f for f in self.forms if f.action.partition("?")[0].endswith(ending))


class Browser:
    """Goes from page to page."""

    def __init__(self, site: Site, *, host: str = "watch.example") -> None:
        self.app = make_app(site)
        self.host = host
        self.cookies: dict[str, str] = {}

    def ask(
        self,
        method: str,
        address: str,
        *,
        form: dict[str, str] | None = None,
        body: bytes = b"",
        headers: dict[str, str] | None = None,
        raw: list[tuple[bytes, bytes]] | None = None,
    ) -> Page:
        """Ask for an address, without following where it sends to."""
        parts = urlsplit(address)
        sent = {"host": self.host}
        if form is not None:
            body = urlencode(form).encode()
            sent["content-type"] = "application/x-www-form-urlencoded"
        if body:
            sent["content-length"] = str(len(body))
        if self.cookies:
            sent["cookie"] = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        sent |= headers or {}
        scope: dict[str, Any] = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": method,
            "scheme": "http",
            "path": unquote(parts.path),
            "raw_path": parts.path.encode(),
            "query_string": parts.query.encode(),
            "root_path": "",
            "headers": [(n.encode(), v.encode()) for n, v in sent.items()] + (raw or []),
            "client": ("127.0.0.1", 50000),
            "server": ("127.0.0.1", 8377),
        }
        page = asyncio.run(self._exchange(scope, body))
        for name, value in page.headers:
            if name == "set-cookie":
                key, _, rest = value.partition("=")
                self.cookies[key] = rest.partition(";")[0]
                if "Max-Age=0" in value:
                    del self.cookies[key]
        return page

    async def _exchange(self, scope: dict[str, Any], body: bytes) -> Page:
        sent: list[dict[str, Any]] = []
        chunks = [{"type": "http.request", "body": body, "more_body": False}]

        async def receive() -> dict[str, Any]:
            return chunks.pop(0) if chunks else {"type": "http.disconnect"}

        async def send(message: Any) -> None:
            sent.append(dict(message))

        await self.app(scope, receive, send)
        start = sent[0]
        return Page(
            status=start["status"],
            headers=[(n.decode(), v.decode()) for n, v in start["headers"]],
            body=b"".join(m.get("body", b"") for m in sent[1:]),
        )

    def get(self, address: str, **words: Any) -> Page:
        return self.ask("GET", address, **words)

    def post(self, address: str, form: dict[str, str], **words: Any) -> Page:
        return self.ask("POST", address, form=form, **words)

    def send(self, form: Form, **filled: str) -> Page:
        """Send a form with some fields filled in."""
        return self.post(form.action, form.fields | filled)

    def follow(self, page: Page) -> Page:
        """Go where a page sends to."""
        assert page.status == 303, page.text
        return self.get(page.header("location").removeprefix(PUBLIC))

    def sign_in(self, name: str, password: str = PASSWORD) -> Page:
        """Sign in."""
        return self.send(self.get("/sign-in").form("/sign-in"), name=name, password=password)
