"""The types that settings are made of: sections, times, names, numbers as a person writes them.

Each type refuses what it cannot be with words that say what would be right.
"""

from __future__ import annotations

import re
from contextlib import suppress
from datetime import datetime, time
from ipaddress import ip_address
from typing import Annotated, Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from watcher.notify.secret import Secret

_LONG_DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
WEEKDAYS = tuple(day[:3] for day in _LONG_DAYS)


class Section(BaseModel):
    """A group of keys: unknown ones are errors, empty ones count as not given."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        arbitrary_types_allowed=True,
        str_strip_whitespace=True,
        hide_input_in_errors=True,
    )

    @model_validator(mode="before")
    @classmethod
    def _drop_empty(cls, given: Any) -> Any:  # noqa: ANN401 - whatever the file held
        if isinstance(given, dict):
            return {key: value for key, value in given.items() if value is not None}
        return given


def _clock(text: object) -> object:
    if isinstance(text, time):
        return text
    match = re.fullmatch(r"([01]?\d|2[0-3]):([0-5]\d)", str(text))
    if match is None:
        raise ValueError("must be a time of day from 00:00 to 23:59, for instance 22:30")
    return time(int(match[1]), int(match[2]))


def _moment(text: object) -> object:
    if isinstance(text, datetime):
        return text
    try:
        moment = datetime.fromisoformat(str(text)) if str(text)[4:5] == "-" else None
    except ValueError:
        moment = None
    # Farther off, a time zone leads out of the calendar.
    return moment if moment is not None and 1970 <= moment.year < 9999 else _no_moment()


def _no_moment() -> object:
    raise ValueError("must be a day or a moment, for instance 2030-05-31 or 2030-05-31 08:00")


def _weekday(text: object) -> object:
    if isinstance(text, int):
        return text
    word = str(text).strip().lower()
    day = word[:3]
    if day not in WEEKDAYS or not _LONG_DAYS[WEEKDAYS.index(day)].startswith(word):
        raise ValueError(f"must be one of {', '.join(WEEKDAYS)}, and each day named by itself")
    return WEEKDAYS.index(day)


def _zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise ValueError("must be the name of a time zone, for instance Europe/Oslo") from None
    return name


def _word(text: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}", text):
        raise ValueError("must be one word of at most 40 letters, digits, dots or dashes")
    return text


def _device_type(text: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9,+/._-]{0,39}", text):
        raise ValueError("must be a device type as smartctl's option -d takes it")
    return text


def _name(text: str) -> str:
    if not text or len(text) > 40 or not text.isprintable() or set(text) & set("/,:"):
        raise ValueError("must be a name of at most 40 letters without / , or :")
    return text


def _line(text: str) -> str:
    if "\n" in text or not text.isprintable():
        raise ValueError("must be one line without control characters")
    return text


def web_address_fault(text: str) -> str:
    """Say what an address of the web must be, "" when it is that."""
    if not re.fullmatch(r"https?://\S*", text):
        return "must begin with http:// or https://"
    try:
        parts = urlsplit(text)
        has_place = bool(parts.hostname) and parts.port != 0
    except ValueError:
        has_place = False
    return "" if has_place else "must name a machine, and a port from 1 to 65535 where it names one"


def _web_address(text: str) -> str:
    if not text:
        return text
    wrong = web_address_fault(text)
    if not wrong and (set(text) & set("?#@")):
        wrong = "must be the beginning of an address, without @, ? and #"
    if wrong:
        raise ValueError(wrong)
    return text.rstrip("/")


def _listens_at(text: str) -> str:
    with suppress(ValueError):
        return str(ip_address(text))
    if re.fullmatch(r"(?=.*[A-Za-z])[A-Za-z0-9]([A-Za-z0-9.-]{0,252})", text):
        return text
    raise ValueError(
        "must be an address of this machine without a port, for instance 127.0.0.1, or 0.0.0.0 "
        "for all that it has"
    )


def _folder(text: str) -> str:
    if not text.startswith("/"):
        raise ValueError("must be a full path that begins with /")
    return text


def _file(text: str) -> str:
    return _folder(text) if text else text


def _hidden(text: object) -> object:
    if isinstance(text, str):
        return Secret(text)
    if isinstance(text, Secret):
        return text
    raise ValueError("must be one address")


def _whole(text: object) -> object:
    """Let only plain digits be a whole number: ``1_000`` and ``1e3`` are slips of the pen.

    How large it may be says each key; a few more digits than that do no harm here.
    """
    if isinstance(text, str) and not re.fullmatch(r"[+-]?\d{1,99}", text.strip()):
        raise ValueError("must be a whole number in digits")
    return text


def _number(text: object) -> object:
    if isinstance(text, str) and not re.fullmatch(r"[+-]?\d{1,18}(\.\d{1,9})?", text.strip()):
        raise ValueError("must be a number in digits")
    return text


Clock = Annotated[time, BeforeValidator(_clock)]
Moment = Annotated[datetime, BeforeValidator(_moment)]
Weekday = Annotated[int, BeforeValidator(_weekday)]
Zone = Annotated[str, AfterValidator(_zone)]
Word = Annotated[str, AfterValidator(_word)]
DeviceType = Annotated[str, AfterValidator(_device_type)]
Name = Annotated[str, AfterValidator(_name)]
Line = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_line)]
Address = Annotated[str, AfterValidator(_web_address)]
Folder = Annotated[str, AfterValidator(_folder)]
File = Annotated[str, AfterValidator(_file)]
ListensAt = Annotated[str, AfterValidator(_listens_at)]
Whole = Annotated[int, BeforeValidator(_whole)]
Number = Annotated[float, BeforeValidator(_number)]
Hidden = Annotated[Secret, BeforeValidator(_hidden)]


class SecretPlace(Section):
    """An address that may be a secret: written here, or kept in a file or the environment."""

    url: Hidden = Secret("")
    url_file: File = ""
    url_env: str = ""

    @property
    def is_given(self) -> bool:
        """Whether there is one, fetched or not."""
        return bool(self.url.reveal() or self.url_file or self.url_env)


class HoursSettings(Section):
    """A daily span of local time; it may pass midnight."""

    begin: Clock
    end: Clock
    weekdays: tuple[Weekday, ...] = (0, 1, 2, 3, 4, 5, 6)
