r"""Serial numbers, World Wide Names and the host name of a box, replaced by stable pseudonyms.

The same name gets the same pseudonym everywhere in one box: in every answer, in the names of links
and files, in arguments and settings, and in each form in which it is written. So the masked box
reads exactly as the real one does, only with other names. Two boxes masked with different keys have
nothing in common; the key is thrown away.

Forms: a serial number as it is, with blanks as ``_``, in either case, and as hexadecimal bytes (in
the by-id names of NVMe drives: ``nvme.1b36-…``). A WWN (16 hexadecimal digits, 32 for NAA 6; T10
SPC-4, 7.8.6.6) and an EUI-64 or NGUID (NVMe base specification) as digits, with ``0x``, ``3`` or
``naa.`` in front, parted by blanks as smartctl prints it, and as the decimal numbers of its JSON.
The maker's part of such a name stays: it is the same for millions of drives.

A pseudonym has the shape of the name: digits for digits, letters for letters, all else kept, so
that columns and checks of form go on working.

Stays as it is: models, firmware, labels, mount points and folders, UUIDs of arrays. A serial number
that is too short or too plain to be told from other words (``plain``) is replaced only where
nothing but a serial number stands: behind its label, and behind the model in a by-id name. Where
the same letters stand elsewhere as a word of their own they stay, and are named, so that the owner
can decide.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Final

from pydantic import TypeAdapter

from watcher.readers.box_file import BoxFile
from watcher.readers.survey import Looking

SHORTEST: Final = 5
"""Characters of a serial number that is replaced. Our choice: a shorter one is also part of other
words and numbers, which would be garbled."""
SHORTEST_NUMBER: Final = 8
"""Digits of one that is a number: shorter ones are also sizes and counts."""
ANYWHERE: Final = 8
"""Characters from which a name is replaced inside of longer words too."""

ATTEMPTS: Final = 1000
"""At a pseudonym that no other name has. Our choice: enough unless all of that shape are given."""

_NOTHING = frozenset({"unknown", "none", "n/a", "na", "null", "not available", "no serial"})
_TRADE_WORDS = frozenset(
    {"linux", "kernel", "debian", "ubuntu", "localhost", "raid", "disk", "drive", "data", "root",
     "storage", "server", "nas", "active", "clean", "none", "auto", "spare", "mirror", "parity",
     "scsi", "nvme", "sata", "block", "device", "system", "box"}
)  # fmt: skip
"""Host names that say nothing of the owner, and are words of the programs' own."""

_SERIALS = (
    re.compile(r'"serial(?:_number)?"\s*:\s*"([^"\\]+)"', re.IGNORECASE),
    re.compile(r"\b(?:Unit )?[Ss]erial [Nn]umber:[ \t]*([^\s\"\\][^\r\n\"\\]*)"),
    re.compile(r"\bSerialNumber: (\S+)"),
    re.compile(r"\bID_SERIAL_SHORT=(\S+)"),
)
_PLACES = (
    r'"serial(?:_number)?"\s*:\s*"'
    r"|\b(?:Unit )?Serial Number:[ \t]*|\bSerialNumber: |\bID_SERIAL_SHORT="
    r"|\bID_SERIAL=(?:[^\s\"]*_)?"
    r"|(?<![0-9A-Za-z])(?:ata|scsi|sas|usb|nvme|mmc|virtio)-(?:[^\s/\"',]*[_-])?"
)
"""Behind these nothing but a serial number stands; in any case of letters."""
_SMALL = {capital: capital + 32 for capital in range(65, 91)}
_SERIAL_FILE = re.compile(r"/(?:serial|vpd_pg80)$")
_HEX_NAME = re.compile(
    r"(?<![0-9a-z])(?:0x|3|naa\.|wwn-|wwn-0x)([1235][0-9a-f]{15}|6[0-9a-f]{31})(?![0-9a-z])"
    r"|(?<![0-9a-z])eui\.([0-9a-f]{32}|[0-9a-f]{16})(?![0-9a-z])",
    re.IGNORECASE,
)
_SPACED = re.compile(r"\b([1-6]) ([0-9a-f]{6}) ([0-9a-f]{9})\b", re.IGNORECASE)
_SPACED_EUI = re.compile(r"(EUI-64:\s+)([0-9a-f]{6}) ([0-9a-f]{10})\b", re.IGNORECASE)
_JSON_NAA = re.compile(
    r'("naa"\s*:\s*(\d{1,2})\s*,\s*"oui"\s*:\s*(\d{1,8})\s*,\s*"id"\s*:\s*)(\d{1,20})\b'
)
_JSON_EUI = re.compile(r'("oui"\s*:\s*(\d{1,8})\s*,\s*"ext_id"\s*:\s*)(\d{1,20})\b')


@dataclass(frozen=True, slots=True, kw_only=True)
class Masked:
    """A masked box, and what could not be masked."""

    box: BoxFile
    replaced: int  # how many names got a pseudonym
    plain: tuple[str, ...]  # serial numbers whose letters still stand somewhere in it


def is_plain(serial: str) -> bool:
    """Tell whether a serial number cannot be told from other words and numbers."""
    digits = sum(letter.isdigit() for letter in serial)
    least = SHORTEST_NUMBER if digits == len(serial) else SHORTEST
    return len(serial) < least or digits == 0 or len(set(serial)) < 3


def is_told(serial: str) -> bool:
    """Tell whether it is a serial number at all, and no word for "there is none"."""
    return bool(serial) and serial.lower().strip("[]") not in _NOTHING and set(serial) != {"0"}


class Pseudonyms:
    """Gives each name another of the same shape; the same one for the same name."""

    def __init__(self, key: bytes) -> None:
        """Take the key; whoever has it can find out whether a name he knows is in the box."""
        self._key = key
        self._given: dict[str, str] = {}
        self._used: set[str] = set()

    def of_word(self, word: str) -> str:
        """Give the pseudonym of a serial number or a host name, its letters in capitals."""
        canonical = word.upper()
        if canonical not in self._given:
            tries = (self._shaped(f"word {n} {canonical}", canonical) for n in range(ATTEMPTS))
            fresh = (word for word in tries if word not in self._used and word != canonical)
            other = next(fresh, f"MASKED{len(self._used)}")
            self._given[canonical] = other
            self._used.add(other)
        return self._given[canonical]

    def of_hex(self, name: str, keep: int) -> str:
        """Give the pseudonym of a hexadecimal name whose first digits are its maker's."""
        lower = name.lower()
        stream = self._stream(f"hex {lower}")
        tail = "".join(f"{next(stream) & 15:x}" for _ in lower[keep:])
        return lower[:keep] + tail

    def _stream(self, words: str) -> Iterator[int]:
        """Give as many bytes as wanted, that only the key's owner can foretell (RFC 2104)."""
        counter = 0
        while True:
            text = f"{counter} {words}".encode()
            yield from hmac.new(self._key, text, hashlib.sha256).digest()
            counter += 1

    def _shaped(self, words: str, like: str) -> str:
        """Make a word with digits where the other has digits, and letters where it has letters."""
        stream = self._stream(words)
        letters = []
        for letter in like:
            if letter.isascii() and letter.isdigit():
                # no zero in front where there was none: a number stays one
                digit = next(stream)
                letters.append(str(1 + digit % 9 if letter != "0" else digit % 10))
            elif letter.isascii() and letter.isalpha():
                letters.append(chr(65 + next(stream) % 26))
            else:
                letters.append(letter)
        return "".join(letters)


def _folded(text: str) -> str:
    """Write the letters A to Z small, and leave all others as they are (as ``re.ASCII`` does)."""
    return text.lower() if text.isascii() else text.translate(_SMALL)


def _unbroken(serial: str) -> str:
    """Write a serial number as it stands in the name of a link."""
    return re.sub(r"\s+", "_", serial)


def _cased(other: str, found: str) -> str:
    """Write a pseudonym in the case of what it stands for."""
    if len(other) != len(found):
        return other
    return "".join(
        a.lower() if b.islower() else a.upper() if b.isupper() else a
        for a, b in zip(other, found, strict=True)
    )


class Mask:
    """Replaces names in texts."""

    def __init__(self, pseudonyms: Pseudonyms) -> None:
        """Begin with no names."""
        self._pseudonyms = pseudonyms
        self._forms: dict[str, str] = {}  # what is looked for, in small letters, and its pseudonym
        self._plain: dict[str, str] = {}  # likewise, for those replaced in their places only
        self.plain: set[str] = set()
        self.names: set[str] = set()

    def learn(self, text: str) -> None:
        """Find names in a text."""
        for pattern in _SERIALS:
            for found in pattern.finditer(text):
                self.learn_serial(found[1])
        for found in _HEX_NAME.finditer(text):
            self.learn_hex((found[1] or found[2]).lower(), eui=found[2] is not None)
        for found in _SPACED.finditer(text):
            self.learn_hex("".join(found.groups()).lower())

    def learn_serial(self, text: str) -> None:
        """Take a serial number, or note that it is too plain."""
        serial = text.strip()
        if not is_told(serial):
            return
        other = self._pseudonyms.of_word(serial)
        self.names.add(serial.upper())
        if is_plain(serial):
            self.plain.add(serial)
            for form in {serial, _unbroken(serial)}:
                self._plain[_folded(form)] = other if form == serial else _unbroken(other)
            return
        for form in {serial, _unbroken(serial)}:
            self._forms[_folded(form)] = other if form == serial else _unbroken(other)
        self._forms[serial.encode().hex()] = other.encode().hex()

    def learn_hex(self, name: str, *, eui: bool = False) -> None:
        """Take a WWN, or an EUI-64 or NGUID."""
        keep = 6 if eui else 7
        self.names.add(name)
        self._forms[name] = self._pseudonyms.of_hex(name, keep)

    def learn_host(self, name: str) -> None:
        """Take the host name, unless it is a word of the trade."""
        for word in {name, name.partition(".")[0]}:
            if len(word) > 2 and word.lower() not in _TRADE_WORDS:
                self.names.add(word.upper())
                self._forms[_folded(word)] = self._pseudonyms.of_word(word)

    def text(self, text: str) -> str:
        """Replace every name in a text."""
        lower = _folded(text)
        here = [form for form in self._forms if form in lower]
        text = _JSON_NAA.sub(self._json_naa, text)
        text = _JSON_EUI.sub(self._json_eui, text)
        text = _SPACED.sub(self._spaced, text)
        text = _SPACED_EUI.sub(self._spaced_eui, text)
        if here:
            text = _pattern(tuple(sorted(here, key=lambda form: (-len(form), form)))).sub(
                lambda found: _cased(self._forms[_folded(found[0])], found[0]), text
            )
        return self._in_places(text, lower)

    def _in_places(self, text: str, lower: str) -> str:
        """Replace plain serial numbers where nothing else can stand."""
        here = [form for form in self._plain if form in lower]
        if here:
            text = _placed(tuple(sorted(here, key=lambda form: (-len(form), form)))).sub(
                lambda found: found[1] + _cased(self._plain[_folded(found[2])], found[2]), text
            )
        return text

    def id(self, text: str) -> str:
        """Replace a serial number that is the whole text, or its end: MODEL_SERIAL."""
        model, mark, end = self.text(text).rpartition("_")
        serial = end.strip()
        other = self._plain.get(_folded(serial))
        return model + mark + (end if other is None else end.replace(serial, _cased(other, serial)))

    def _json_naa(self, found: re.Match[str]) -> str:
        """Replace the vendor's number of a WWN that smartctl's JSON gives in decimal."""
        naa, oui, number = int(found[2]), int(found[3]), int(found[4])
        digits = f"{naa:x}{oui:06x}{number:09x}"
        return found[1] + str(int(self._pseudonyms.of_hex(digits, 7)[7:16], 16))

    def _json_eui(self, found: re.Match[str]) -> str:
        """Likewise the extension of an EUI-64."""
        digits = f"{int(found[2]):06x}{int(found[3]):010x}"
        return found[1] + str(int(self._pseudonyms.of_hex(digits, 6)[6:], 16))

    def _spaced(self, found: re.Match[str]) -> str:
        other = self._pseudonyms.of_hex("".join(found.groups()), 7)
        return _cased(f"{other[0]} {other[1:7]} {other[7:]}", found[0])

    def _spaced_eui(self, found: re.Match[str]) -> str:
        other = self._pseudonyms.of_hex(found[2] + found[3], 6)
        return found[1] + _cased(f"{other[:6]} {other[6:]}", f"{found[2]} {found[3]}")


@lru_cache(maxsize=4096)
def _pattern(forms: tuple[str, ...]) -> re.Pattern[str]:
    """Match any of these, the longest first; short ones only as words of their own."""
    parts = [
        re.escape(form)
        if len(form) >= ANYWHERE
        else rf"(?<![0-9A-Za-z]){re.escape(form)}(?![0-9A-Za-z])"
        for form in forms
    ]
    return re.compile("|".join(parts), re.IGNORECASE | re.ASCII)


@lru_cache(maxsize=4096)
def _placed(forms: tuple[str, ...]) -> re.Pattern[str]:
    """Match any of these as a word of its own in a serial number's place."""
    words = "|".join(map(re.escape, forms))
    return re.compile(rf"({_PLACES})({words})(?![0-9A-Za-z])", re.IGNORECASE | re.ASCII)


def _still_there(box: BoxFile, serials: Iterable[str]) -> tuple[str, ...]:
    """Give the serial numbers whose letters still stand in a box as words of their own."""
    left = {
        serial: re.compile(
            rf"(?<![0-9A-Za-z]){re.escape(serial)}(?![0-9A-Za-z])", re.IGNORECASE | re.ASCII
        )
        for serial in serials
    }
    found = {serial for text in _texts(box) for serial, word in left.items() if word.search(text)}
    return tuple(sorted(found))


def _texts(box: BoxFile) -> Iterator[str]:
    """Give every text of a box in which a name may stand."""
    for argv, ran in box.programs.items():
        yield from (" ".join(argv), ran.stdout, ran.stderr)
    yield from box.files.values()
    for path, target in box.links.items():
        yield from (path, target)
    for path, entries in box.folders.items():
        yield from (path, "\n".join(entries))
    if isinstance(box.ring, tuple):
        yield from (_decoded(record) for record in box.ring)
    if isinstance(box.log, bytes):
        yield _decoded(box.log)


def _decoded(content: bytes) -> str:
    """Read bytes as text, in a way that can be undone."""
    return content.decode("utf-8", "surrogateescape")


def mask(box: BoxFile, key: bytes, *, serials: Iterable[str] = (), host: str = "") -> Masked:
    """Replace every serial number, WWN and the host name in a box.

    ``serials`` are those that the drives told; more are found in the texts by their form. ``key``
    are random bytes, at least 16.
    """
    if len(key) < 16:
        raise ValueError("a key needs at least 16 bytes")
    names = Mask(Pseudonyms(key))
    for serial in serials:
        names.learn_serial(serial)
    for told in box.looking.told:
        names.learn_serial(told.serial or "")
    for path, text in box.files.items():
        if _SERIAL_FILE.search(path):
            names.learn_serial(text)
    for word in {host, str(box.looking.box)}:
        names.learn_host(word)
    for text in _texts(box):
        names.learn(text)
    masked = _replaced(box, names)
    return Masked(box=masked, replaced=len(names.names), plain=_still_there(masked, names.plain))


def _replaced(box: BoxFile, names: Mask) -> BoxFile:
    """Write the box anew with other names."""
    say = names.text
    form: TypeAdapter[Looking] = TypeAdapter(Looking)
    looking: Any = _each(form.dump_python(box.looking, mode="json"), names)
    return replace(
        box,
        masked=True,
        looking=form.validate_json(json.dumps(looking)),
        programs={
            (argv := tuple(map(say, words))): replace(
                ran, argv=argv, stdout=say(ran.stdout), stderr=say(ran.stderr)
            )
            for words, ran in box.programs.items()
        },
        files={
            say(path): names.id(text) if _SERIAL_FILE.search(path) else say(text)
            for path, text in box.files.items()
        },
        links={say(path): say(target) for path, target in box.links.items()},
        folders={say(path): tuple(map(say, entries)) for path, entries in box.folders.items()},
        denied=frozenset(map(say, box.denied)),
        failing={say(path): number for path, number in box.failing.items()},
        ring=tuple(_encoded(say(_decoded(record))) for record in box.ring)
        if isinstance(box.ring, tuple)
        else box.ring,
        log=_encoded(say(_decoded(box.log))) if isinstance(box.log, bytes) else box.log,
    )


def _encoded(text: str) -> bytes:
    return text.encode("utf-8", "surrogateescape")


def _each(value: Any, names: Mask) -> Any:  # noqa: ANN401 - any JSON
    """Replace names in all words of a JSON value."""
    if isinstance(value, str):
        return names.text(value)
    if isinstance(value, list):
        return [_each(item, names) for item in value]
    if isinstance(value, dict):
        return {
            key: names.id(item) if key in _IDS and isinstance(item, str) else _each(item, names)
            for key, item in value.items()
        }
    return value


_IDS = frozenset({"serial", "name"})
"""Of the settings: where a serial number or a drive's id may stand alone."""
