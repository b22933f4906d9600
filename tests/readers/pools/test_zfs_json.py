"""``zpool status`` as JSON, parsed strictly."""

from __future__ import annotations

import contextlib
import json
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.lab.step_host import kept_step
from tests.readers.pools.zfs_texts import GUID, as_json, drive, group, row, scan
from watcher.readers.errors import CannotParse
from watcher.readers.pools import zfs_json
from watcher.readers.pools.zfs_status import Scan, ScanState

RAIDZ = group("raidz1-0", "sda", "sdb", "sdc")
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=10,
)


@given(st.one_of(st.text(), VALUES.map(json.dumps)))
def test_any_text_gives_a_value_or_cannot_parse(said: str) -> None:
    with contextlib.suppress(CannotParse):
        zfs_json.parse(said)


def _places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    inner = value.items() if isinstance(value, dict) else ()
    return [path, *(place for key, below in inner for place in _places(below, (*path, key)))]


WHOLE = json.loads(
    as_json(RAIDZ, scan=scan("SCRUB", "FINISHED"), files=["/a"], errors=1, msgid="ZFS-8000-8A")
)


@given(st.sampled_from(_places(WHOLE)[1:]), VALUES)
def test_any_value_in_any_place_gives_a_value_or_cannot_parse(
    place: tuple[Any, ...], value: Any
) -> None:
    changed = json.loads(json.dumps(WHOLE))
    at = changed
    for key in place[:-1]:
        at = at[key]
    at[place[-1]] = value
    with contextlib.suppress(CannotParse):
        zfs_json.parse(json.dumps(changed))


def test_a_cut_answer_is_refused_wherever_it_was_cut() -> None:
    said = kept_step("zfs", "13-with-spare-log-cache")["zpool-status-p-P-v-json-int.json"].strip()
    for end in range(0, len(said), 7):
        with pytest.raises(CannotParse):
            zfs_json.parse(said[:end])


@pytest.mark.parametrize("lost", ["error_count", "pool_guid", "vdevs", "state", "name"])
def test_an_answer_that_lacks_what_matters_is_refused(lost: str) -> None:
    whole = json.loads(as_json(RAIDZ))
    del whole["pools"]["tank"][lost]
    with pytest.raises(CannotParse):
        zfs_json.parse(json.dumps(whole))


@pytest.mark.parametrize("lost", ["read_errors", "write_errors", "checksum_errors"])
def test_a_drive_whose_errors_are_not_counted_is_refused(lost: str) -> None:
    """One that ZFS holds for degraded would look well without them. Spares have none."""
    worn = [row(1, "raidz1-0", "DEGRADED"), drive("sda"), drive("sdb", "DEGRADED")]
    spares = {"spares": [drive("sdh", "AVAIL", depth=1)]}
    whole = json.loads(as_json(worn, sections=spares))
    del whole["pools"]["tank"]["spares"]["/dev/sdh"][lost]
    zfs_json.parse(json.dumps(whole))
    del whole["pools"]["tank"]["vdevs"]["tank"]["vdevs"]["raidz1-0"]["vdevs"]["/dev/sdb"][lost]
    with pytest.raises(CannotParse, match="not counted"):
        zfs_json.parse(json.dumps(whole))


def test_a_section_without_its_vdevs_is_refused() -> None:
    whole = json.loads(as_json(RAIDZ, sections={"special": group("mirror-1", "sdd", "sde")}))
    whole["pools"]["tank"]["special"] = None
    with pytest.raises(CannotParse):
        zfs_json.parse(json.dumps(whole))


def test_a_newer_shape_is_refused_and_not_guessed() -> None:
    whole = json.loads(as_json(RAIDZ))
    whole["output_version"]["vers_major"] = 1
    with pytest.raises(CannotParse, match="version"):
        zfs_json.parse(json.dumps(whole))


def test_no_pools_are_none() -> None:
    whole = json.loads(as_json(RAIDZ))
    assert zfs_json.parse(json.dumps({**whole, "pools": {}})) == ()


def test_numbers_may_come_as_digits() -> None:
    said = as_json(RAIDZ, errors=0).replace(str(GUID), f'"{GUID}"')
    assert zfs_json.parse(said)[0].guid == str(GUID)


def test_rounded_numbers_are_refused() -> None:
    with pytest.raises(CannotParse, match="no exact number"):
        zfs_json.parse(as_json(RAIDZ).replace('"checksum_errors": 0', '"checksum_errors": "1.2K"'))


@pytest.mark.parametrize(
    ("stats", "expected"),
    [
        (scan("SCRUB", "SCANNING"),
         Scan(resilver=False, state=ScanState.RUNNING, fraction=0.25, done_bytes=250,
              total_bytes=1000)),
        (scan("SCRUB", "SCANNING", scrub_pause=1772240000),
         Scan(resilver=False, state=ScanState.PAUSED, fraction=0.25, done_bytes=250,
              total_bytes=1000)),
        (scan("RESILVER", "CANCELED"),
         Scan(resilver=True, state=ScanState.CANCELED, done_bytes=250, total_bytes=1000,
              ended_at=datetime.fromtimestamp(1772244000, tz=UTC))),
        (scan("RESILVER", "SCANNING", issued=2000),
         Scan(resilver=True, state=ScanState.RUNNING, fraction=1.0, done_bytes=2000,
              total_bytes=1000)),
    ],
)  # fmt: skip
def test_a_scan_is_told_in_all_its_states(stats: dict[str, Any], expected: Scan) -> None:
    """Functions and states: REFERENCES 4.32, include/sys/fs/zfs.h of OpenZFS."""
    assert zfs_json.parse(as_json(RAIDZ, scan=stats))[0].scans == (expected,)


def test_a_scan_word_that_is_not_known_is_kept() -> None:
    (pool,) = zfs_json.parse(as_json(RAIDZ, scan=scan("SCRUB", "DREAMING")))
    assert (pool.scans, pool.unknown_scan) == ((), "SCRUB DREAMING")


def test_logs_caches_and_spares_are_kept_apart_from_the_data() -> None:
    sections = {
        "special": group("mirror-1", "sdd", "sde"),
        "logs": [drive("sdf", depth=1)],
        "cache": [drive("sdg", depth=1)],
        "spares": [drive("sdh", "AVAIL", depth=1)],
    }
    (pool,) = zfs_json.parse(as_json(RAIDZ, sections=sections))
    parts = (pool.special, pool.logs, pool.cache, pool.spares)
    assert [part[0].name for part in parts] == ["mirror-1", "/dev/sdf", "/dev/sdg", "/dev/sdh"]
