"""The pages as one application: who may come where, and how a request becomes an answer."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs, urlsplit

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Route

from watcher.service.loopback import is_loopback
from watcher.service.our_fault import name_fault
from watcher.store.accounts import Role
from watcher.store.errors import StoreError
from watcher.web import (
    api,
    calendar,
    case_page,
    client_quiet,
    drive_page,
    hub_acts,
    manage,
    metrics,
    month_page,
    pool_page,
    progress,
    quiet,
    rule_page,
    shop_page,
    signin,
    static,
    work_list,
)
from watcher.web.ask import JSON, PLAIN, Ask, Needs, Refusal, Reply, go_to
from watcher.web.guard import (
    BODY_SECONDS,
    LARGEST_BODY,
    Guard,
    host_name,
    hosts_of,
    is_for_programs,
    plainly,
)
from watcher.web.holders import Known, cookie_for, know
from watcher.web.signin import ANYONE
from watcher.web.site import Site, refuse_page
from watcher.web.tickets import is_good
from watcher.web.words import address

Handler = Callable[[Site, Ask], Reply]

THREADS = 3
"""Pages that are made at the same time; our choice: the store answers one at a time anyhow, and
a password that is being checked must not hold up a page."""

MOST_FIELDS = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One address."""

    path: str
    handler: Handler
    needs: Needs = Needs.LOOK
    method: str = "GET"
    program: bool = False  # for other programs: a token instead of a session, JSON instead of pages


def _link(path: str, handler: Handler, method: str = "GET") -> Way:
    return Way(path=f"/a/{{link}}{path}", handler=handler, needs=Needs.LINK, method=method)


def _program(path: str, handler: Handler, method: str = "GET") -> Way:
    needs = Needs.ACT if method == "POST" else Needs.LOOK
    return Way(path=path, handler=handler, needs=needs, method=method, program=True)


def _post(path: str, handler: Handler, needs: Needs = Needs.ACT) -> Way:
    return Way(path=path, handler=handler, needs=needs, method="POST")


WAYS: tuple[Way, ...] = (
    Way(path="/", handler=shop_page.front),
    Way(path="/client", handler=shop_page.client),
    Way(path="/month", handler=month_page.page),
    Way(path="/work-list", handler=work_list.page),
    Way(path="/client/quiet", handler=client_quiet.form, needs=Needs.ACT),
    _post("/client/quiet", client_quiet.silence),
    _post("/client/quiet/end", client_quiet.lift),
    Way(path="/client/invite", handler=hub_acts.form, needs=Needs.MANAGE),
    _post("/client/invite", hub_acts.make, Needs.MANAGE),
    _post("/box/look", hub_acts.look),
    Way(path="/static/{name}", handler=static.static, needs=Needs.NOTHING),
    Way(path="/sign-in", handler=signin.form, needs=Needs.NOTHING),
    _post("/sign-in", signin.enter, Needs.NOTHING),
    _post("/sign-out", signin.leave, Needs.LOOK),
    Way(path="/me", handler=signin.mine),
    _post("/me/password", signin.change_password, Needs.LOOK),
    _post("/me/end-others", signin.end_others, Needs.LOOK),
    Way(path="/cases", handler=case_page.cases),
    Way(path="/case/{number:int}", handler=case_page.case),
    _post("/case/{number:int}/take", case_page.take),
    _post("/case/{number:int}/hand-over", case_page.hand_over),
    Way(path="/case/{number:int}/quiet", handler=quiet.silence_form, needs=Needs.ACT),
    _post("/case/{number:int}/quiet", quiet.silence),
    Way(path="/case/{number:int}/work", handler=quiet.work_form, needs=Needs.ACT),
    _post("/case/{number:int}/work", quiet.announce),
    Way(path="/quiet", handler=quiet.page),
    _post("/quiet/end", quiet.lift),
    Way(path="/silence", handler=quiet.silence_form, needs=Needs.ACT),
    _post("/silence", quiet.silence),
    Way(path="/work", handler=quiet.work_form, needs=Needs.ACT),
    _post("/work", quiet.announce),
    _post("/end-work", quiet.end_work),
    Way(path="/pool", handler=pool_page.pool),
    Way(path="/pool/progress", handler=progress.progress),
    Way(path="/recovery", handler=pool_page.recovery),
    Way(path="/ready", handler=pool_page.ready),
    Way(path="/drive", handler=drive_page.drive),
    Way(path="/drive.csv", handler=drive_page.drive_csv),
    Way(path="/rules", handler=rule_page.rules),
    Way(path="/rules/{name}", handler=rule_page.rule),
    Way(path="/manage", handler=manage.manage, needs=Needs.MANAGE),
    _post("/manage/end-sessions", manage.end_sessions, Needs.MANAGE),
    Way(path="/api/openapi.json", handler=api.openapi, needs=Needs.NOTHING, program=True),
    _program("/api/boxes", api.boxes),
    _program("/api/pools", api.pools),
    _program("/api/drives", api.drives),
    _program("/api/cases", api.cases),
    _program("/api/cases/{number:int}", api.case),
    _program("/api/cases/{number:int}/take", api.take, "POST"),
    _program("/api/cases/{number:int}/hand-over", api.hand_over, "POST"),
    _program("/api/due", api.due),
    _program("/metrics", metrics.metrics),
    _program("/calendar.ics", calendar.calendar),
    _link("", case_page.by_link),
    _link("/take", case_page.take, "POST"),
    _link("/hand-over", case_page.hand_over, "POST"),
    _link("/quiet", quiet.silence_form),
    _link("/quiet", quiet.silence, "POST"),
    _link("/work", quiet.work_form),
    _link("/work", quiet.announce, "POST"),
)


def make_app(site: Site, ways: tuple[Way, ...] = WAYS) -> Guard:
    """Make the application."""
    threads = ThreadPoolExecutor(THREADS, thread_name_prefix="page")
    routes = [Route(way.path, _endpoint(site, way, threads), methods=[way.method]) for way in ways]

    async def lost(request: Request, error: Exception) -> Response:
        status = error.status_code if isinstance(error, HTTPException) else 500
        sentence = "There is no page here." if status == 404 else "This is not understood here."
        if not is_for_programs(request.url.path):
            ask = Ask(method=request.method, path=request.url.path, now=site.now())
            page = refuse_page(site, ask, Refusal(status, sentence))
            return Response(page.bytes, status_code=status, media_type=page.kind)
        body, kind = plainly(status, sentence, as_json=True)
        return Response(body, status_code=status, media_type=kind)

    handlers: Mapping[Any, Any] = {HTTPException: lost}
    app = Starlette(routes=routes, exception_handlers=handlers)
    app.router.redirect_slashes = False  # it would send a link on to an address without TLS
    return Guard(app, site)


def _endpoint(site: Site, way: Way, threads: ThreadPoolExecutor) -> Callable[[Request], Any]:
    async def endpoint(request: Request) -> Response:
        try:
            ask = await read(site, request)
        except Refusal as refusal:
            reply = _plainly(way, refusal.status, refusal.sentence)
        except ClientDisconnect:
            reply = Reply(status=400, kind=PLAIN)
        else:
            loop = asyncio.get_running_loop()
            reply = await loop.run_in_executor(threads, answer, site, way, ask)
        response = Response(reply.bytes, status_code=reply.status, media_type=reply.kind)
        for name, value in reply.headers:
            response.headers.append(name, value)
        return response

    return endpoint


async def read(site: Site, request: Request) -> Ask:
    """Take a request in. Raises Refusal when it is not of a shape that we take."""
    body = b""
    if request.method == "POST":
        try:
            async with asyncio.timeout(BODY_SECONDS):
                async for chunk in request.stream():
                    body += chunk
                    if len(body) > LARGEST_BODY:
                        raise Refusal(413, "This is more than any form of ours.")
        except TimeoutError as error:
            raise Refusal(408, "The rest of the form did not come.") from error
    headers = {name: value for name, value in request.headers.items()}  # noqa: C416 - the last of each
    kind = headers.get("content-type", "").partition(";")[0].strip().casefold()
    form: Mapping[str, tuple[str, ...]] = {}
    if kind == "application/x-www-form-urlencoded":
        form = {
            name: tuple(found) for name, found in _fields(body.decode("utf-8", "replace")).items()
        }
    elif body and kind != JSON:
        raise Refusal(415, "A form, or JSON for programs, is understood here.")
    query = {n: v[0] for n, v in _fields(request.scope["query_string"].decode("latin-1")).items()}
    return Ask(
        method=request.method,
        path=request.url.path,
        now=site.now(),
        parts={name: str(value) for name, value in request.path_params.items()},
        query=query,
        form=form,
        body=body,
        headers=headers,
        cookies=_cookies(headers.get("cookie", "")),
        address=_from_where(site, request),
    )


def _fields(text: str) -> dict[str, list[str]]:
    try:
        found = parse_qs(text, keep_blank_values=True, max_num_fields=MOST_FIELDS, errors="replace")
    except ValueError as error:
        raise Refusal(400, "There are more fields than any form of ours has.") from error
    return {name: [v.replace("\0", "\ufffd") for v in values] for name, values in found.items()}


def _cookies(text: str) -> Mapping[str, str]:
    try:
        return {name: morsel.value for name, morsel in SimpleCookie(text).items()}
    except CookieError:
        return {}


def _from_where(site: Site, request: Request) -> str:
    """Give the address of whoever asks.

    Behind TLS the program that ends it sits on this machine and adds the address it was asked
    from; only its own, last word counts.
    """
    peer = request.client.host if request.client else "?"
    told = request.headers.get("x-forwarded-for", "").rpartition(",")[2].strip()
    if site.terms.is_secure and told and is_loopback(peer) and len(told) <= 45:
        return told
    return peer


def answer(site: Site, way: Way, ask: Ask) -> Reply:
    """Answer a request that was taken in: whatever happens, with a page or a sentence."""
    known = Known(holder=None)
    try:
        known = know(site, ask, way.needs, program=way.program)
        ask = replace(ask, holder=known.holder)
        reply = _let_in(site, way, ask) or _carry_out(site, way, ask)
    except Refusal as refusal:
        reply = _refused(site, way, ask, refusal)
    except StoreError as error:
        site.trouble(f"A page could not be made: {error}")
        reply = _plainly(way, 503, _NO_STATE + _NOTHING_DONE * (ask.method == "POST"))
    except Exception as fault:  # noqa: BLE001 - the outermost ring: said, and the next page is made
        site.trouble(f"A page failed by a fault of ours ({name_fault(fault)}).")
        reply = _plainly(way, 500, "This is a fault in midwatch. It is written in its log.")
    if known.cookie and not any(name == "set-cookie" for name, _ in reply.headers):
        reply = replace(reply, headers=(*reply.headers, cookie_for(site, known.cookie)))
    return reply


_NO_STATE = "The state cannot be read or written now; the watch says why."
_NOTHING_DONE = " Nothing was done."


def _carry_out(site: Site, way: Way, ask: Ask) -> Reply:
    """Do what was asked; a form that was refused did nothing, so it may be sent again."""
    try:
        reply = way.handler(site, ask)
    except Refusal:
        if ask.method == "POST" and not way.program:
            with site.store.transaction() as tx:
                tx.give_back_ticket(ask.field("ticket"))
        raise
    return _dated(reply, ask) if way.needs is not Needs.NOTHING else reply


def _dated(reply: Reply, ask: Ask) -> Reply:
    """Note when a form was taken in the address that it leads to.

    What was done is said then, and not again to whoever comes back to that page another day.
    """
    at = int(ask.now.timestamp())
    headers = tuple(
        (name, f"{value}&at={at}" if name == "location" and "done=" in value else value)
        for name, value in reply.headers
    )
    return replace(reply, headers=headers)


def _let_in(site: Site, way: Way, ask: Ask) -> Reply | None:
    """Give the answer for somebody who is not let in, None for somebody who is."""
    if way.needs not in {Needs.NOTHING, Needs.LINK}:
        if ask.holder is None:
            if ask.method == "POST":
                raise Refusal(401, "You are not signed in any more; nothing was done.")
            return go_to(address("/sign-in", next=_whole_path(ask)))
        if not ask.holder.role.covers(Role(way.needs.value)):
            raise Refusal(403, "Your account may not do this.")
    if ask.method == "POST" and not way.program:
        _check_form(site, ask)
    return None


def _whole_path(ask: Ask) -> str:
    return address(ask.path, **{n: v for n, v in ask.query.items() if n not in {"done", "at"}})


def _check_form(site: Site, ask: Ask) -> None:
    """Let only forms of our own pages through, and each of them once."""
    origin = ask.headers.get("origin")
    if origin is not None and host_name(urlsplit(origin).netloc) not in hosts_of(site):
        raise Refusal(403, "This form did not come from a page of ours; nothing was done.")
    if ask.headers.get("sec-fetch-site", "same-origin") not in {"same-origin", "none"}:
        raise Refusal(403, "This form did not come from a page of ours; nothing was done.")
    ticket = ask.field("ticket")
    bond = ask.holder.bond if ask.holder else ANYONE
    with site.store.snapshot() as tx:
        keys = tx.signing_keys(ask.now)
    if not is_good(ticket, bond, keys, ask.now):
        raise Refusal(
            403, "This form is too old, or not yours; nothing was done. Open the page again."
        )
    with site.store.transaction() as tx:
        fresh = tx.use_ticket(ticket, ask.now)
    if not fresh:
        raise Refusal(
            409,
            "This was sent before; nothing was done a second time. Open the page again to see how "
            "it stands.",
        )


def _refused(site: Site, way: Way, ask: Ask, refusal: Refusal) -> Reply:
    if way.program:
        made = _plainly(way, refusal.status, refusal.sentence)
        return replace(made, headers=refusal.headers)
    try:
        return refuse_page(site, ask, refusal)
    except StoreError:
        return _plainly(way, refusal.status, refusal.sentence)


def _plainly(way: Way, status: int, sentence: str) -> Reply:
    body, kind = plainly(status, sentence, as_json=way.program)
    return Reply(body=body, status=status, kind=kind)
