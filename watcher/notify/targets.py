"""One message to one target, through Apprise, within a time limit.

Measured with Apprise 2.3.0; what must be known about it:

- ``notify()`` without ``timeout=`` waits as long as a server drips bytes; with it the call
  returns in time but leaves a thread behind (``left_behind`` in the result), which would delay
  the end of the interpreter. So only the sender process calls ``send`` and leaves by ``os._exit``.
- Long text is not cut unless the URL says ``overflow=truncate``; it is always set here.
- A plug-in of somebody's own that returns None counts as sent.
- ``url(privacy=True)`` and the log lines mask tokens, but neither custom headers nor an ntfy
  topic, and on a public server the topic is the secret. So an error is shown only after every
  part of the URL beyond scheme and host was taken out of it.
- ``add()`` accepts ``ntfy://`` without a topic; only a real test proves a target.
- ntfy fetches an icon from a public host unless ``image=no``.
- MQTT publishes with QoS 0 unless told otherwise: then nothing proves that the broker has it.

Each message carries its id where a receiver can see a repeat: as the header
``X-Midwatch-Message`` in mail and web hooks, as a last line everywhere else.

A mail says that a program wrote it (``Auto-Submitted``, RFC 3834 section 5), so that no notice of
absence answers it; that it is about the same case as others (``References`` and ``In-Reply-To``,
RFC 5322 section 3.6.4; the mail they name was never sent, which RFC 5256 allows for), so that a
mail program shows a case as one talk; and, when somebody must act now, ``Importance: high``
(RFC 2156).
"""

from __future__ import annotations

import logging
import re
from collections.abc import Iterable, Iterator
from time import monotonic
from urllib.parse import parse_qsl, quote, unquote

from apprise import Apprise, AppriseAsset, NotifyFormat, NotifyType

from watcher.facts.finding import Urgency
from watcher.notify.secret import HIDDEN, Secret
from watcher.notify.target import TIMEOUT_SECONDS, SendResult, Target, scheme_of

ID_HEADER = "X-Midwatch-Message"
_WITH_HEADERS = frozenset(
    {"mailto", "mailtos", "json", "jsons", "xml", "xmls", "form", "forms"},
)
_TYPE = {
    Urgency.NOW: NotifyType.FAILURE,
    Urgency.TODAY: NotifyType.WARNING,
    Urgency.THIS_WEEK: NotifyType.INFO,
    Urgency.NOTE: NotifyType.INFO,
}
# So that a phone rings for what cannot wait and stays quiet for what can. Only where the URL does
# not say a priority itself.
_PRIORITY = {
    "ntfy": {
        Urgency.NOW: "max",
        Urgency.TODAY: "high",
        Urgency.THIS_WEEK: "default",
        Urgency.NOTE: "low",
    },
    "gotify": {
        Urgency.NOW: "emergency",
        Urgency.TODAY: "high",
        Urgency.THIS_WEEK: "normal",
        Urgency.NOTE: "low",
    },
}
# Answers that a second try would not change: the receiver knows us and says no, or the address is
# not one. HTTP 400, 401, 403, 404, 410 (RFC 9110 section 15.5). For mail Apprise keeps the server's
# code to itself: a refused recipient looks like any failure, and is tried again with growing gaps.
_PERMANENT = re.compile(r"error=(?:400|401|403|404|410)\b")


def dressed(url: str, *, message_id: str, urgency: Urgency, thread: str = "") -> str:
    """Give the URL with what every message needs: cut when too long, id, priority."""
    scheme = scheme_of(url)
    _, mark, query = url.partition("?")
    given = {name.lower() for name, _ in parse_qsl(query, keep_blank_values=True)}
    wanted = [] if "overflow" in given else ["overflow=truncate"]
    if scheme in _WITH_HEADERS:
        wanted.append(f"%2B{ID_HEADER}={quote(message_id)}".replace("%2B", "+"))
    if scheme.startswith("mailto"):
        wanted += [] if "format" in given else ["format=text"]
        wanted += [
            f"+{name}={quote(value)}"
            for name, value in _mail_headers(urgency, thread)
            if f"+{name.lower()}" not in _plus(url)
        ]
    family = scheme.removesuffix("s")
    if family in _PRIORITY and "priority" not in given:
        wanted.append(f"priority={_PRIORITY[family][urgency]}")
    if family == "ntfy" and "image" not in given:
        wanted.append("image=no")
    if family == "mqtt" and "qos" not in given:
        wanted.append("qos=1")
    if not wanted:
        return url
    joint = "&" if mark and query else ("" if mark else "?")
    return url + joint + "&".join(wanted)


def _mail_headers(urgency: Urgency, thread: str) -> Iterator[tuple[str, str]]:
    """Give what a mail's header says besides the message's id."""
    yield "Auto-Submitted", "auto-generated"
    if urgency is Urgency.NOW:
        yield "Importance", "high"
    if thread:
        root = f"<{thread}.case@midwatch.invalid>"  # RFC 2606: a name that nobody can have
        yield "In-Reply-To", root
        yield "References", root


def _plus(url: str) -> set[str]:
    """Name the headers that a URL gives itself, in small letters, with their plus sign."""
    query = url.partition("?")[2]
    return {unquote(part.partition("=")[0]).lower() for part in query.split("&")}


def secret_parts(url: str) -> tuple[str, ...]:
    """Name every part of a URL that must not be shown, longest first, in all its spellings.

    Scheme and host may be shown; user, password, path, query and fragment may not. Never raises:
    an address that is none may hold a secret all the same.
    """
    _, mark, rest = url.partition("://")
    place = re.split(r"[/?#]", rest, maxsplit=1)[0] if mark else ""
    user, _, host = place.rpartition("@")
    beyond = (rest if mark else url)[len(place) :]
    path, _, query = beyond.partition("?")
    parts = {url, user, path.strip("/"), query}
    parts.update(re.split(r"[/@:?&=,+;#]", f"{user}/{beyond}"))
    parts.update(value for _, value in parse_qsl(query))
    spelled = {spelling for part in parts for spelling in (part, unquote(part), quote(part))}
    # Three letters and fewer would blank half of every sentence and protect nothing.
    kept = {part for part in spelled if len(part) > 3 and part.lower() not in {host, "true"}}
    return tuple(sorted(kept, key=lambda part: (-len(part), part)))


def masked(text: str, url: str) -> str:
    """Give the text on one line, at most 200 characters, with the secrets of a URL taken out."""
    line = " ".join(text.split())
    for part in secret_parts(url):
        line = line.replace(part, HIDDEN)
    line = re.sub(r"[\x00-\x1f\x7f-\x9f]", "", line)
    return line if len(line) <= 200 else line[:199] + "…"


def _quiet_logger() -> None:
    """Keep Apprise's log, which holds payloads in clear at DEBUG, out of everything.

    The level is WARNING and not ERROR because the reasons of a failure are noted at WARNING; they
    reach nobody but ``send``, which masks them.
    """
    logger = logging.getLogger("apprise")
    logger.setLevel(logging.WARNING)
    logger.propagate = False
    if not logger.handlers:
        logger.addHandler(logging.NullHandler())


def refuses(url: Secret) -> str:
    """Say why Apprise does not take a URL, "" when it does. Sends nothing."""
    _quiet_logger()
    text = url.reveal()
    scheme = scheme_of(text)
    if not scheme:
        return "this is not an address of the form scheme://…"
    if Apprise(asset=_ASSET).add(text):
        return ""
    if scheme.startswith("mqtt"):
        return "this is no MQTT address, or the Python package paho-mqtt is not installed"
    return (
        f"the address that begins with {scheme}:// is not one that Apprise understands (in a name "
        "or password # / @ and : are written %23 %2F %40 and %3A)"
    )


_ASSET = AppriseAsset(app_id="midwatch", app_desc="midwatch", app_url="", async_mode=False)


def warm_up() -> None:
    """Load the plug-ins, which takes a quarter of a second at the first address; sends nothing."""
    _quiet_logger()
    if not _WARM:
        Apprise(asset=_ASSET).add("json://127.0.0.1/")
        _WARM.append(True)


_WARM: list[bool] = []


def send(
    target: Target,
    *,
    title: str,
    body: str,
    urgency: Urgency,
    message_id: str,
    timeout_seconds: float = TIMEOUT_SECONDS,
    thread: str = "",
) -> SendResult:
    """Send one message to one target and say what came of it; returns within the time limit.

    Success means that the receiving server took it, never that a person saw it.
    """
    _quiet_logger()
    url = target.url.reveal()
    began = monotonic()
    apprise = Apprise(asset=_ASSET)
    if not apprise.add(dressed(url, message_id=message_id, urgency=urgency, thread=thread)):
        return SendResult(ok=False, permanent=True, error=masked(refuses(target.url), url))
    text = body
    if scheme_of(url) not in _WITH_HEADERS:
        text = f"{body}\n[{message_id}]"
    result = apprise.notify(
        body=text,
        title=title,
        notify_type=_TYPE[urgency],
        body_format=NotifyFormat.TEXT,
        timeout=timeout_seconds,
    )
    seconds = monotonic() - began
    if result:
        return SendResult(ok=True, seconds=seconds)
    if result.status.name == "TIMEOUT" or result.timeout_count:
        return SendResult(
            ok=False,
            error=f"no answer within {timeout_seconds:.0f} s",
            seconds=seconds,
            left_behind=True,
        )
    said = _last_words(entry.message for entry in result.logs())
    return SendResult(
        ok=False,
        permanent=bool(_PERMANENT.search(said)),
        error=masked(said, url) or "the receiver did not take it and gave no reason",
        seconds=seconds,
    )


def _last_words(lines: Iterable[str]) -> str:
    """Join what Apprise noted about one try."""
    return " ".join(line.strip() for line in lines if line and line.strip())
