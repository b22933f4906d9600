"""A client's month as a page to print: what the pools stood like, what happened, what was done.

The same page is written into a file by ``midwatch hub month --page``: there its style is inside, so
that it can be sent as one file.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Any

from markupsafe import Markup, escape

from watcher.facts.pool import Protection
from watcher.hub.month_report import Report, given_back, lacks_of, report_of
from watcher.hub.protection_time import Month, Spell, month_named, say_share
from watcher.store.transaction import Transaction
from watcher.web.ask import Ask, Reply, not_found
from watcher.web.files import files
from watcher.web.shop_page import client_asked
from watcher.web.site import Site, draw

WIDTH, HEIGHT = 720, 26

STATES: tuple[tuple[Protection, str], ...] = (
    (Protection.WHOLE, "full margin"),
    (Protection.THINNED, "some margin lost"),
    (Protection.BARE, "no margin"),
    (Protection.BROKEN, "data lost or out of reach"),
    (Protection.UNKNOWN, "not known"),
)
"""How a pool's states are called to a client, in the order in which they are told."""

_TALL = {Protection.WHOLE: 24, Protection.THINNED: 13, Protection.BARE: 4}
"""How high a stretch is drawn: by how much margin there was."""


def page(site: Site, ask: Ask) -> Reply:
    """Show the month of a client, to the shop and to the client."""
    if site.terms.clients is None:
        raise not_found("report")
    client = client_asked(site, ask)
    if not client:
        raise not_found("client of that name")
    zone = site.clockwork(ask).zone
    month = month_named(ask.query.get("month", ""), ask.now, zone)
    if month is None:
        raise not_found("month of that name")
    with site.store.snapshot() as tx:
        report = gather(site, tx, client, month, ask)
        began = min((box.joined_at for box in tx.enrolled_boxes(client)), default=ask.now)
    months = [one for one in _months(ask, zone) if one.until > began or one.name == month.name]
    return draw(site, ask, "month.html", words_of(report) | {"months": months})


def gather(site: Site, tx: Transaction, client: str, month: Month, ask: Ask) -> Report:
    """Gather a client's month, of the boxes that whoever asks may see."""
    may_see = ask.holder.may_see if ask.holder is not None else lambda _: True
    return report_of(
        tx,
        client,
        month,
        ask.now,
        standing_of=lambda box: site.standing(tx, box.box),
        may_see=may_see,
    )


def words_of(report: Report) -> dict[str, Any]:
    """Give what the page is drawn from."""
    return {
        "report": report,
        "states": STATES,
        "share": say_share,
        "bar": lambda found: draw_spells(found, report.month),
        "lacks": lacks_of,
        "given_back": given_back,
    }


def _months(ask: Ask, zone: Any) -> list[Month]:  # noqa: ANN401 - a zone
    """Give the last months, this one first."""
    found, at = [], ask.now.astimezone(zone)
    for _ in range(13):
        month = month_named(f"{at:%Y-%m}", ask.now, zone)
        if month is not None:
            found.append(month)
        at = at.replace(day=1) - timedelta(days=1)
    return found


def draw_spells(found: Sequence[Spell], month: Month) -> Markup:
    """Draw a pool's month as a bar whose height is its margin; what was not seen is dashed."""
    whole = (month.until - month.since) / timedelta(seconds=1)
    shapes = []
    for spell in found:
        x = 1 + (WIDTH - 2) * ((spell.since - month.since) / timedelta(seconds=1)) / whole
        wide = max(1.0, (WIDTH - 2) * (spell.lasts / timedelta(seconds=1)) / whole)
        shapes.append(_shape(spell.protection, x, wide))
    words = "; ".join(
        f"{name} {say_share(_share(found, state))}"
        for state, name in STATES
        if _share(found, state) > 0
    )
    return Markup(  # noqa: S704 - numbers and an escaped label
        f'<svg class="month" role="img" aria-label="{escape(words)}" '
        f'viewBox="0 0 {WIDTH} {HEIGHT}" preserveAspectRatio="none">{"".join(shapes)}</svg>'
    )


def _share(found: Sequence[Spell], state: Protection) -> float:
    whole = sum((spell.lasts for spell in found), timedelta(0))
    part = sum((spell.lasts for spell in found if spell.protection is state), timedelta(0))
    return part / whole if whole else 0.0


def _shape(state: Protection, x: float, wide: float) -> str:
    if state in _TALL:
        tall = _TALL[state]
        return (
            f'<rect class="held" x="{x:.1f}" y="{HEIGHT - 1 - tall}" width="{wide:.1f}" '
            f'height="{tall}"/>'
        )
    if state is Protection.BROKEN:
        return (
            f'<rect class="lost" x="{x:.1f}" y="2" width="{wide:.1f}" height="{HEIGHT - 4}"/>'
            f'<path class="stroke" d="M{x:.1f} 2L{x + wide:.1f} {HEIGHT - 2}"/>'
        )
    return f'<rect class="unseen" x="{x:.1f}" y="2" width="{wide:.1f}" height="{HEIGHT - 4}"/>'


def as_file(site: Site, ask: Ask, report: Report) -> bytes:
    """Give the page as one file, its style inside."""
    style = Markup(files()["midwatch.css"].decode())  # noqa: S704 - our own file
    words = words_of(report) | {"months": [], "style": style}
    return draw(site, ask, "month_file.html", words).bytes
