"""A masked box holds none of its names, and reads as the real one does."""

from __future__ import annotations

import gzip
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.lab.step_host import host_of, kept_step, kept_steps
from watcher.cli.collect import record
from watcher.demo.story import BOX, new_box
from watcher.facts.identity import BoxId
from watcher.facts.survey import Survey
from watcher.readers import box_file
from watcher.readers.box_file import BoxFile
from watcher.readers.discovery import ToldDrive
from watcher.readers.masking import Mask, Pseudonyms, is_plain, is_told, mask
from watcher.readers.survey import Looking
from watcher.rules.catalogue import judge
from watcher.rules.tuning import UNTUNED
from watcher.rules.view import View

KEY = bytes(range(32))


def shape_of(survey: Survey) -> object:
    """Give all of a survey that is not a name."""
    view = View(survey=survey, now=survey.taken_at, recent=survey.events)
    return (
        sorted(
            (r.node, r.identity.model, r.verdict, r.metrics, r.identity.capacity_bytes)
            for r in survey.drives
        ),
        sorted((u.node, u.why, u.drive is None) for u in survey.unread),
        sorted(
            (p.kind, p.layout, p.protection, str(p.margin), len(p.members), len(p.drives))
            for p in survey.pools
        ),
        [(e.at, e.category, e.count, e.subject is None) for e in survey.events],
        [(b.source, b.why) for b in survey.blind],
        survey.answered,
        sorted((f.rule, f.urgency) for f in judge(view, UNTUNED)),
    )


def names_in(survey: Survey) -> set[str]:
    """Give the serial numbers and WWNs that a survey tells."""
    ids = [r.identity for r in survey.drives]
    serials = {i.serial for i in ids} | {u.serial or "" for u in survey.unread}
    wwns = {m[1] for m in (re.search(r"wwn-([0-9a-f]{16})", i.drive) for i in ids) if m}
    return {name.lower() for name in serials | wwns if name}


def bytes_of(box: BoxFile) -> str:
    return gzip.decompress(box_file.pack(box)).decode("utf-8", "replace").lower()


def test_the_invented_box_is_masked_in_every_byte_and_reads_the_same() -> None:
    sim = new_box()
    sim.pull("e")
    serials = [drive.serial for drive in sim.drives.values()]
    wwns = [drive.wwn for drive in sim.drives.values()]
    told = tuple(ToldDrive(serial=d.serial, bay=d.bay) for d in sim.drives.values())
    box, survey = record(sim, Looking(box=BOX, told=told), sim.now)
    masked = mask(box, KEY, serials=serials, host=sim.name)
    content = bytes_of(masked.box)
    assert masked.box.masked
    assert masked.plain == ()
    before = bytes_of(box)
    for wwn, serial in zip(wwns, serials, strict=True):
        parted = f"{wwn >> 60:x} {wwn >> 36 & 0xFFFFFF:06x} {wwn & 0xFFFFFFFFF:09x}"
        for form in (serial.lower(), f"{wwn:016x}", parted, f'"id": {wwn & 0xFFFFFFFFF}}}'):
            assert form in before, "the test looks for something that never was there"
            assert form not in content, form
    assert not re.search(rf"\b{sim.name}\b", content)
    read = box_file.parse(box_file.pack(masked.box))
    seen = read.surveyor().take("look", read.taken_at, deep=True).survey
    assert shape_of(seen) == shape_of(survey)
    assert not names_in(survey) & names_in(seen)
    assert seen.box != survey.box


@pytest.mark.parametrize(("scenario", "step"), kept_steps())
def test_every_kept_step_reads_the_same_when_masked(scenario: str, step: str) -> None:
    host, at = host_of(kept_step(scenario, step))
    box, survey = record(host, Looking(box=BoxId("attic")), at)
    masked = mask(box, KEY, serials=[r.identity.serial for r in survey.drives])
    content = bytes_of(masked.box)
    for name in names_in(survey) - {plain.lower() for plain in masked.plain}:
        assert name not in content, name
        assert name.encode().hex() not in content, name
    seen = masked.box.surveyor().take("look", masked.box.taken_at, deep=True).survey
    assert shape_of(seen) == shape_of(survey)


def test_one_name_has_one_pseudonym_in_a_box_and_others_in_other_boxes() -> None:
    text = "ata-Corvid_Plough_PLOUGH7001 and PLOUGH7001-part1, plough7001"
    names = Mask(Pseudonyms(KEY))
    names.learn_serial("PLOUGH7001")
    found = re.findall(r"[A-Za-z]{6}[0-9]{4}", names.text(text))
    assert len({word.upper() for word in found}) == 1
    assert found[2] == found[0].lower()
    other = Mask(Pseudonyms(KEY[::-1]))
    other.learn_serial("PLOUGH7001")
    assert other.text(text) != names.text(text)


@pytest.mark.parametrize(
    "text",
    [
        "wwn-0x5a0b0c000000010f-part1",
        "scsi-35a0b0c000000010f",
        "naa.5a0b0c000000010f",
        "0x5A0B0C000000010F",
        "wwn-5a0b0c000000010f",
        "LU WWN Device Id: 5 a0b0c0 00000010f",
        '"wwn": {"naa": 5, "oui": 10531008, "id": 271}',
        '"wwn":{"naa":5,"oui":10531008,"id":271}',
    ],
)
def test_every_form_of_a_wwn_keeps_its_maker_and_loses_its_number(text: str) -> None:
    names = Mask(Pseudonyms(KEY))
    names.learn(text)
    said = names.text(text)
    number = Pseudonyms(KEY).of_hex("5a0b0c000000010f", 7)[7:]
    assert "00000010f" not in said.lower()
    assert not re.search(r"\b271\b", said)
    assert number in said.lower() or str(int(number, 16)) in said
    assert re.search("a0b0c0|10531008", said.lower())


@pytest.mark.parametrize(
    ("text", "gone"),
    [
        ("eui.00a0b8004c5d6e7f", "4c5d6e7f"),
        ("IEEE EUI-64:                       00a0b8 004c5d6e7f", "4c5d6e7f"),
        ('"eui64": {"oui": 41144, "ext_id": 1281191551}', "1281191551"),
        ("wwn-0x6a0b0c0000000001000000000000001f", "000000001f"),
        ("scsi-3333333300000abe0", "00000abe0"),
        ("usb 1-1: SerialNumber: FERN123456", "FERN123456"),
        ('"serial": "FERN 123456", "x": "FERN_123456"', "FERN_123456"),
        ("Serial Number:    FERN123456\nx", "FERN123456"),
        ('"Serial Number:    FERN123456",', "FERN123456"),
        ("Unit serial number: FERN123456", "FERN123456"),
        ("Serial number:        FERN123456\n", "FERN123456"),
        ('"serial": "FERN123456", "n": "nvme.1b36-4645524e313233343536-51"', "4645524e3132333"),
    ],
)
def test_names_are_found_by_their_form(text: str, gone: str) -> None:
    names = Mask(Pseudonyms(KEY))
    names.learn(text)
    assert gone in text
    assert gone not in names.text(text)
    if "ext_id" not in text:  # a decimal number may get a digit more or less
        assert len(names.text(text)) == len(text)


PLAIN = ("disk", "1234", "0001234", "AAAAAAAA", "11111111", "sda1", "73011")


@pytest.mark.parametrize("serial", PLAIN)
def test_a_serial_number_like_any_word_is_replaced_in_its_place_only(serial: str) -> None:
    assert is_plain(serial)
    names = Mask(Pseudonyms(KEY))
    names.learn(f'"serial": "{serial}"')
    assert names.id(serial) != serial
    elsewhere = f'"type": "{serial}", "hours": {serial}, {serial} {serial}.5 x_{serial} md-{serial}'
    assert names.text(elsewhere) == elsewhere
    for place in (
        '"serial":"{}"',
        '{{"serial_number" : "{}", ',
        "Serial Number:    {}\nx",
        "Unit serial number: {}",
        '"Serial Number:    {}",',
        "usb 1-1: SerialNumber: {}",
        "ID_SERIAL_SHORT={}\nID_BUS=ata",
        "ID_SERIAL=Fern_F100_{}\n",
        "/dev/disk/by-id/ata-Fern_F100_{}-part1",
        "            ata-Fern_F100_{}  ONLINE",
        "../by-id/usb-Fern_F100_{}-0:0",
        "virtio-{}",
    ):
        assert names.text(place.format(serial)) == place.format(names.id(serial))


@pytest.mark.parametrize("serial", PLAIN)
def test_a_serial_number_that_is_longer_keeps_its_rest(serial: str) -> None:
    names = Mask(Pseudonyms(KEY))
    names.learn(f'"serial": "{serial}"')
    for text in (f'"serial": "{serial}77"', f"ata-Fern_F100_X{serial}", f"ata-Fern_{serial}B"):
        assert names.text(text) == text


def test_only_a_plain_serial_number_that_stands_elsewhere_too_is_named() -> None:
    box = BoxFile(
        taken_at=datetime(2026, 3, 2, tzinfo=UTC),
        looking=Looking(box=BoxId("attic"), told=(ToldDrive(serial="73011"),)),
        written_by="x",
        programs={},
        folders={},
        files={
            "/sys/block/sda/device/vpd_pg80": "73011\n",
            "/sys/block/sdb/device/serial": "4411",
            "/proc/x": "4411 hours",
        },
        links={"/dev/disk/by-id/ata-Fern_F100_73011": "../../sda"},
    )
    masked = mask(box, KEY)
    assert masked.plain == ("4411",)
    assert "73011" not in bytes_of(masked.box)
    told = masked.box.looking.told[0].serial
    assert told is not None
    assert masked.box.files["/sys/block/sda/device/vpd_pg80"] == f"{told}\n"
    assert list(masked.box.links) == [f"/dev/disk/by-id/ata-Fern_F100_{told}"]


@pytest.mark.parametrize("text", ["", "unknown", "0000000000", "[Unknown]", "n/a"])
def test_no_serial_number_is_none(text: str) -> None:
    assert not is_told(text)


@given(
    st.text("ABCDEFGHJKLMNPQRSTUVWXYZ0123456789-", min_size=9, max_size=20),
    st.text("ABCDEFGHJKLMNPQRSTUVWXYZ0123456789-", min_size=9, max_size=20),
)
def test_pseudonyms_keep_the_shape_and_are_never_shared(one: str, two: str) -> None:
    names = Pseudonyms(KEY)
    first, second = names.of_word(one), names.of_word(two)
    kinds = [(a.isdigit(), a.isalpha()) for a in one]
    assert [(a.isdigit(), a.isalpha()) for a in first] == kinds
    assert (first == second) == (one == two)
    assert names.of_word(one.lower()) == first


def test_a_host_named_like_a_word_of_the_trade_is_left_alone() -> None:
    names = Mask(Pseudonyms(KEY))
    names.learn_host("raid")
    names.learn_host("attic.example.org")
    assert names.text("md raid") == "md raid"
    assert "attic" not in names.text("attic:orchard on attic.example.org")
    assert names.text("attica") == "attica"


def test_log_bytes_that_are_no_text_survive(tmp_path: Path) -> None:
    del tmp_path
    sim = new_box()
    box, _ = record(sim, Looking(box=BoxId("raid")), sim.now)
    raw = b"usb: SerialNumber: FERN123456 \xff\xfe\n"
    masked = mask(replace(box, log=raw, ring=(raw,)), KEY).box
    assert isinstance(masked.log, bytes)
    assert b"FERN123456" not in masked.log
    assert masked.log.endswith(b"\xff\xfe\n")
    assert masked.ring == (masked.log,)


def test_a_short_key_is_refused() -> None:
    sim = new_box()
    box, _ = record(sim, Looking(box=BOX), sim.now)
    with pytest.raises(ValueError, match="16 bytes"):
        mask(box, b"short")


def test_settings_are_masked_too() -> None:
    sim = new_box()
    told = (ToldDrive(serial="FERN123456", bay="top"),)
    box, _ = record(sim, Looking(box=BoxId("attic-7"), told=told), sim.now)
    looking = mask(box, KEY).box.looking
    assert looking.told[0].bay == "top"
    assert looking.told[0].serial != "FERN123456"
    assert str(looking.box).count("-") == 1


def test_letters_that_only_look_alike_are_no_match_and_no_fault() -> None:
    """U+212A and U+017F are K and s to Unicode's rules of case."""
    names = Mask(Pseudonyms(KEY))
    names.learn_serial("SKY1234567")
    assert names.text("\u017f\u212ay1234567") == "\u017f\u212ay1234567"
    assert "1234567" not in names.text("sky1234567 SKY1234567 \u212a")


def test_a_name_of_a_shape_that_is_used_up_still_gets_a_pseudonym_of_its_own() -> None:
    names = Pseudonyms(KEY)
    given = {names.of_word(f"\u00e9\u00e9\u00e8\u00ea{digit}") for digit in range(10)}
    assert len(given) == 10
    text = Mask(names)
    for digit in range(10):
        text.learn_serial(f"\u00e9\u00e9\u00e8\u00ea{digit}")
    said = text.text(" ".join(f"\u00e9\u00e9\u00e8\u00ea{digit}" for digit in range(10)))
    assert len(set(said.split())) == 10


def test_a_long_name_is_masked_to_its_end() -> None:
    word = "FERN" + "0123456789" * 8
    assert Pseudonyms(KEY).of_word(word)[40:] != word[40:]


def test_what_a_drive_tells_of_no_serial_number_is_not_masked() -> None:
    names = Mask(Pseudonyms(KEY))
    for word in ("unknown", "", "  ", "00000000"):
        names.learn_serial(word)
    assert (names.names, names.plain) == (set(), set())


def test_serial_files_and_a_missing_journal_are_covered() -> None:
    sim = new_box()
    box, _ = record(sim, Looking(box=BOX), sim.now)
    files = {**box.files, "/sys/class/nvme/nvme0/serial": "FERN123456   \n", "/x": "FERN123456"}
    masked = mask(replace(box, files=files, ring=5, log=None), KEY).box
    assert "FERN123456" not in masked.files["/x"]
    assert (masked.ring, masked.log) == (5, None)
