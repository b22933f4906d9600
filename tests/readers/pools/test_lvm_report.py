"""LVM's reports: strict, and a row that must be missing is noticed."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.lab.step_host import kept_step
from watcher.readers.errors import CannotParse
from watcher.readers.pools.lvm_report import (
    LV_COLUMNS,
    PV_COLUMNS,
    Device,
    RaidStatus,
    Volume,
    dm_name,
    parse_devices,
    parse_last_seen,
    parse_status,
    parse_volumes,
)

GONE = kept_step("lvm", "03-leg-gone")


def row(**columns: str) -> dict[str, str]:
    plain = dict.fromkeys(LV_COLUMNS.split(","), "")
    return plain | {
        "lv_name": "v",
        "vg_name": "vg",
        "lv_uuid": "u1",
        "lv_attr": "-wi-a-----",
        "segtype": "linear",
        "devices": "/dev/sda(0)",
        "lv_active": "active",
        "lv_role": "public",
    } | columns  # fmt: skip


def report(*rows: dict[str, Any], key: str = "lv") -> str:
    return json.dumps({"report": [{key: list(rows)}]})


def test_a_recorded_volume_is_read_whole() -> None:
    """Printed by LVM 2.03.16 after one leg was pulled."""
    volumes = {v.name: v for v in parse_volumes(GONE["lvs-raid.json"])}
    assert volumes["mir"] == Volume(
        name="mir",
        group="vg0",
        uuid="tWDL2S-Lso3-dFWI-ORfQ-otnP-DN6P-pKdOfX",
        attributes="rwi-aor-p-",
        kind="raid1",
        devices=("mir_rimage_0", "mir_rimage_1"),
        health="partial",
        is_active=True,
        size_bytes=62914560,
        synced_percent=100.0,
        mismatches=0,
        action="idle",
        parent="",
        roles=frozenset({"public"}),
        made="",
    )
    assert volumes["mir_rimage_1"].devices == ("[unknown]",)
    assert volumes["mir_rimage_1"].parent == "mir"


def test_missing_devices_and_where_they_were_are_read() -> None:
    missing = [d for d in parse_devices(GONE["pvs.json"]) if d.is_missing]
    uuid = "DANoZs-Jqrp-mYDw-Ta0g-pBY2-OvtA-3gBJQt"
    assert missing == [Device(name="[unknown]", group="vg0", uuid=uuid, is_missing=True)]
    assert parse_last_seen(GONE["lvs-raid.json.stderr"]) == {uuid: "/dev/sdb"}


def test_the_kernel_s_letters_are_read() -> None:
    """Source: dm-raid.rst, Status Output: a letter per device, done/total, action, mismatches."""
    status = parse_status(kept_step("lvm", "09-raid5-transient-then-refresh")["dmsetup-status.txt"])
    assert status["vg0-five"] == RaidStatus(
        health="ADAA", done=81920, total=81920, action="idle", mismatches=0
    )
    assert set(status) == {"vg0-five", "vg0-mir"}


def test_an_older_kernel_tells_less() -> None:
    line = "vg-v: 0 100 raid raid1 2 AA 100/100\nother: 0 5 linear \n"
    assert parse_status(line)["vg-v"].action == ""


@pytest.mark.parametrize(
    "line",
    [
        "v: 0 1 raid raid1 2 A 1/1",
        "v: 0 1 raid raid1",
        "v: 0 1 raid raid1 2 AX 1/1",
        "v: 0 1 raid raid1 2 AA 1/1\nv: 0 1 raid raid1 2 AA 1/1",
    ],
)
def test_a_status_that_does_not_fit_together_is_refused(line: str) -> None:
    with pytest.raises(CannotParse):
        parse_status(line)


def test_segments_of_one_volume_are_joined() -> None:
    text = report(
        row(devices="/dev/sda(0)"), row(devices="[unknown](7)", lv_health_status="partial")
    )
    (volume,) = parse_volumes(text)
    assert volume.devices == ("/dev/sda", "[unknown]")
    assert volume.health == "partial"


def test_hyphens_are_doubled_in_the_mapper() -> None:
    (volume,) = parse_volumes(report(row(lv_name="a-b", vg_name="my-vg")))
    assert dm_name(volume) == "my--vg-a--b"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{}",
        '{"report": []}',
        '{"report": [{}]}',
        '{"report": [{"lv": [1]}]}',
        report(row(lv_attr="short")),
        report(row(lv_name="")),
        report(row(lv_size="big")),
        report(row(sync_percent="120.00")),
        report(row(devices="/dev/sda")),
        report(row(lv_health_status=None)),  # type: ignore[arg-type]
        report(row(), row(lv_name="w")),
        report(row(), row(lv_uuid="u2")),
        report(row(devices="v_rimage_0(0)")),
        report(row(lv_parent="w")),
    ],
)
def test_a_report_that_does_not_fit_together_is_refused(text: str) -> None:
    with pytest.raises(CannotParse):
        parse_volumes(text)


def test_any_row_that_belongs_to_another_is_missed() -> None:
    rows = json.loads(GONE["lvs-raid.json"])["report"][0]["lv"]
    for i, gone in enumerate(rows):
        if "metadata" in gone["lv_role"]:
            continue  # these are looked for by name, and their loss is told by the image
        with pytest.raises(CannotParse):
            parse_volumes(report(*rows[:i], *rows[i + 1 :]))


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=8,
)
COLUMN = st.sampled_from([*LV_COLUMNS.split(","), *PV_COLUMNS.split(",")])


@given(
    st.text()
    | JSON.map(json.dumps)
    | st.lists(st.dictionaries(COLUMN, st.text(max_size=12)), max_size=3).map(
        lambda rows: json.dumps({"report": [{"lv": rows, "pv": rows}]})
    )
)
def test_any_text_is_read_or_refused(text: str) -> None:
    for parse in (parse_volumes, parse_devices, parse_status):
        try:
            parse(text)
        except CannotParse:
            continue
