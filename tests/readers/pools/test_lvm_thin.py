"""Thin pools: how full they are, and whether they still take what is written.

The rows are laid out as LVM 2.03.16 printed them of a thin pool on a loop device, where there was
no device mapper to make it active (:data:`RECORDED`); percentages as lvmthin(7) shows them, and the
words of ``lv_health_status`` from memory of lvm2 2.03.
"""

from __future__ import annotations

import pytest

from tests.readers.pools.boxes import NOW, HandBlocks
from tests.readers.pools.test_lvm import SAME, answers, images
from tests.readers.pools.test_lvm_report import row
from watcher.facts.pool import Member, MemberState, Pool, Protection, Remark
from watcher.readers.pools import lvm
from watcher.readers.recorded import RecordedHost


def thin(
    *, data: str = "/dev/sda(4)", metadata: str = "/dev/sdb(0)", **top: str
) -> list[dict[str, str]]:
    """Give the rows of a thin pool with one volume in it, half full."""
    hidden = {"lv_parent": "pool0", "lv_attr": "-wi-ao----"}
    return [
        row(
            lv_name="pool0",
            lv_uuid="p",
            lv_attr="twi-aotz--",
            segtype="thin-pool",
            devices="pool0_tdata(0)",
            lv_size="1000",
            data_percent="50.00",
            metadata_percent="12.34",
        )
        | top,
        row(
            lv_name="[pool0_tdata]",
            lv_uuid="d",
            devices=data,
            lv_role="private,thin,pool,data",
            **hidden,
        ),
        row(
            lv_name="[pool0_tmeta]",
            lv_uuid="m",
            devices=metadata,
            lv_role="private,thin,pool,metadata",
            **hidden,
        ),
        row(
            lv_name="thin1",
            lv_uuid="t",
            lv_attr="Vwi-aotz--",
            segtype="thin",
            devices="",
            lv_role="public",
            data_percent="97.00",
        ),
    ]


def read(
    rows: list[dict[str, str]],
    *,
    status: str | None = "",
    blocks: HandBlocks = SAME,
    previous: tuple[Pool, ...] = (),
) -> dict[str, Pool]:
    host = RecordedHost(programs=answers(rows, status=status))
    found = lvm.read(host, blocks, observed_at=NOW, previous=previous)
    return {pool.name: pool for pool in found.pools}


def of(**top: str) -> Pool:
    (found,) = read(thin(**top)).values()
    return found


def amounts(pool: Pool) -> dict[Remark, int | None]:
    return {note.remark: note.amount for note in pool.notes}


RECORDED = (
    ("[lvol0_pmspare]", "f", "ewi-XX----", "linear", "/dev/loop1(4)", "", "private,pool,spare"),
    ("pool0", "d", "twi-XXtz--", "thin-pool", "pool0_tdata(0)", "", "private"),
    (
        "[pool0_tdata]",
        "h",
        "Twi-XX----",
        "linear",
        "/dev/loop1(6)",
        "pool0",
        "private,thin,pool,data",
    ),
    (
        "[pool0_tmeta]",
        "g",
        "ewi-XX----",
        "linear",
        "/dev/loop1(5)",
        "pool0",
        "private,thin,pool,metadata",
    ),
    ("thin1", "e", "Vwi-XXtz--", "thin", "", "", "public"),
)
"""Name, last letter of the identity, attributes, kind, devices, parent and roles."""


def test_a_recorded_thin_pool_is_put_together_and_at_rest_not_known() -> None:
    rows = [
        row(
            lv_name=name,
            lv_uuid=uuid,
            lv_attr=attributes,
            segtype=kind,
            devices=devices,
            lv_parent=parent,
            lv_role=roles,
            lv_active="unknown",
            lv_check_needed="unknown",
        )
        for name, uuid, attributes, kind, devices, parent, roles in RECORDED
    ]
    (found,) = read(rows).values()
    assert (found.name, found.drives) == ("vg/pool0", {"drive-loop1"})
    assert found.protection is Protection.UNKNOWN
    assert [note.remark for note in found.notes] == [Remark.INACTIVE]


def test_a_thin_pool_bears_no_loss_and_tells_how_full_it_is() -> None:
    found = of()
    assert (found.name, found.layout, found.protection) == (
        "vg/pool0",
        "thin-pool",
        Protection.BARE,
    )
    assert found.full_margin == 0
    assert found.drives == {"drive-sda", "drive-sdb"}
    assert {member.node for member in found.members} == {"/dev/sda", "/dev/sdb"}
    assert (found.capacity_bytes, found.used_bytes) == (1000, 500)
    assert amounts(found) == {Remark.SPACE_LOW: 50, Remark.METADATA_LOW: 12}


@pytest.mark.parametrize(
    ("top", "remark", "amount"),
    [
        ({"data_percent": "99.99"}, Remark.SPACE_LOW, 99),
        ({"data_percent": "100.00"}, Remark.SPACE_LOW, 100),
        ({"lv_health_status": "out_of_data", "data_percent": "99.98"}, Remark.SPACE_LOW, 100),
        ({"metadata_percent": "92.50"}, Remark.METADATA_LOW, 92),
        ({"metadata_percent": "100.00"}, Remark.METADATA_LOW, 100),
        ({"lv_health_status": "metadata_read_only"}, Remark.METADATA_LOW, 100),
        ({"lv_check_needed": "check needed"}, Remark.METADATA_LOW, 100),
        ({"lv_attr": "twi-aotzD-"}, Remark.SPACE_LOW, 100),
        ({"lv_attr": "twi-aotzM-"}, Remark.METADATA_LOW, 100),
        ({"lv_check_needed": "unknown"}, Remark.METADATA_LOW, 12),
    ],
)
def test_what_runs_full_is_told(top: dict[str, str], remark: Remark, amount: int) -> None:
    """Source: lvs(8), attribute 9; lvmthin(7): "displays 100 under Data%" and "Meta%"."""
    found = of(**top)
    assert amounts(found)[remark] == amount
    assert found.protection is Protection.BARE, "nothing that it holds is lost"


def test_one_that_failed_cannot_be_reached() -> None:
    """lvs(8): "no further I/O is permitted at all"."""
    for said in ({"lv_health_status": "failed"}, {"lv_attr": "twi-aotzF-"}):
        found = of(**said)
        assert found.protection is Protection.BROKEN
        assert found.noted(Remark.SUSPENDED) is not None


def test_what_cannot_be_told_is_unknown() -> None:
    """One whose metadata is damaged is not activated (lvmthin(7)), and looks as one at rest."""
    at_rest = {"lv_active": "", "lv_attr": "twi---tz--", "metadata_percent": ""}
    found = of(**at_rest, data_percent="")
    assert found.protection is Protection.UNKNOWN
    assert found.noted(Remark.INACTIVE) is not None
    for below in ({"lv_attr": "twi-aotz--"}, {"data_percent": "50.00"}):
        assert of(**{**at_rest, "data_percent": "", **below}).noted(Remark.INACTIVE) is None
    assert of(lv_health_status="sideways").noted(Remark.UNKNOWN_WORD) is not None


def test_a_pool_that_does_not_tell_how_full_it_is_says_so() -> None:
    """As with a report of another version, which lacks the columns."""
    rows = thin()
    for column in ("data_percent", "metadata_percent", "lv_check_needed"):
        del rows[0][column]
    (found,) = read(rows).values()
    assert found.noted(Remark.FEW_CHECKS) is not None
    assert found.noted(Remark.SPACE_LOW) is None


@pytest.mark.parametrize("column", ["lv_role", "lv_parent"])
def test_the_parts_are_found_also_where_a_version_tells_less_of_them(column: str) -> None:
    rows = thin()
    for one in rows[1:3]:
        one[column] = ""
    (found,) = read(rows).values()
    assert (found.protection, found.drives) == (Protection.BARE, {"drive-sda", "drive-sdb"})


def test_a_pool_without_its_metadata_in_the_list_is_not_known() -> None:
    rows = [one for one in thin() if "tmeta" not in one["lv_name"]]
    (found,) = read(rows).values()
    assert found.protection is Protection.UNKNOWN


@pytest.mark.parametrize("gone", ["data", "metadata"])
def test_a_pool_that_lost_a_device_of_data_or_metadata_is_broken(gone: str) -> None:
    """The volume that is gone is told too, metadata as well as data."""
    found = read(thin(**{gone: "[unknown](0)", "lv_health_status": "partial"}))
    hidden = {"data": "vg/pool0_tdata", "metadata": "vg/pool0_tmeta"}[gone]
    assert {name: pool.protection for name, pool in found.items()} == {
        "vg/pool0": Protection.BROKEN,
        hidden: Protection.BROKEN,
    }


def on_mirrors(letters: str) -> dict[str, Pool]:
    """Give what is seen of a thin pool whose data is a mirror."""
    rows, line = images("raid1", 2, letters=letters)
    for one in rows:
        one["lv_name"] = one["lv_name"].replace("v", "pool0_tdata", 1)
        one["devices"] = one["devices"].replace("v_rimage", "pool0_tdata_rimage")
        one["lv_parent"] = one["lv_parent"].replace("v", "pool0_tdata")
    rows[0] |= {
        "lv_name": "[pool0_tdata]",
        "lv_parent": "pool0",
        "lv_role": "private,thin,pool,data",
    }
    top, _, metadata, _ = thin(metadata="/dev/sdc(0)")
    return read([top, *rows, metadata], status=line.replace("vg-v:", "vg-pool0_tdata:"))


@pytest.mark.parametrize(
    ("letters", "below", "above"),
    [
        ("AA", Protection.WHOLE, Protection.BARE),
        ("AD", Protection.BARE, Protection.BARE),
        ("DD", Protection.BROKEN, Protection.BROKEN),
    ],
)
def test_a_mirror_below_is_a_pool_of_its_own_and_one_member_here(
    letters: str, below: Protection, above: Protection
) -> None:
    """So that a lost leg is one trouble and not two, as long as the mirror bears it."""
    found = on_mirrors(letters)
    data, thin_pool = found["vg/pool0_tdata"], found["vg/pool0"]
    assert (data.protection, thin_pool.protection) == (below, above)
    assert (data.full_margin, thin_pool.full_margin) == (1, 0)
    assert [(m.name, m.node) for m in thin_pool.members] == [
        ("pool0_tdata", "/dev/vg/pool0_tdata"),
        ("/dev/sdc", "/dev/sdc"),
    ]
    assert data.node == "/dev/vg/pool0_tdata"


def test_what_other_kinds_count_in_those_columns_hides_no_pool() -> None:
    odd = row(lv_name="snap", lv_uuid="s", data_percent="-1", metadata_percent="n/a")
    assert list(read([*thin(), odd])) == ["vg/pool0"]


def test_a_thin_pool_on_an_encrypted_array_stands_on_that_array() -> None:
    blocks = HandBlocks(arrays={"sda": ("/dev/md0",)})
    (found,) = read(thin(metadata="/dev/sda(0)"), blocks=blocks).values()
    assert [member.stands_on for member in found.members] == [("/dev/md0",)]


def test_a_plain_volume_that_was_told_of_is_not_gone_when_its_device_is_back() -> None:
    """Else the pool would be told as gone, at any hour, just as it is well again."""
    whole = [row(devices="/dev/sda(0),/dev/sdb(0)")]
    torn = [row(devices="[unknown](0),/dev/sdb(0)", lv_health_status="partial")]
    assert read(whole) == {}
    (broken,) = read(torn).values()
    assert broken.protection is Protection.BROKEN
    assert [member.node for member in broken.members] == [None, "/dev/sdb"]
    (back,) = read(whole, previous=(broken,)).values()
    assert (back.pool, back.protection, back.full_margin) == (broken.pool, Protection.BARE, 0)
    assert back.members == tuple(
        Member(
            name=f"/dev/sd{x}",
            state=MemberState.GOOD,
            node=f"/dev/sd{x}",
            drives=(f"drive-sd{x}",),  # type: ignore[arg-type]
        )
        for x in "ab"
    )
    assert read([], previous=(back,)) == {}
