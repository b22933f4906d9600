"""The kernel's summary of its arrays: strict, with nothing dropped."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.lab.step_host import kept_step, kept_steps
from tests.readers.pools.boxes import line, mdstat
from watcher.readers.errors import CannotParse
from watcher.readers.pools.md_stat import Listed, Listing, Progress, parse_mdstat

WHOLE = mdstat(line("sdd[4] sdc[2] sdb[1] sda[0]", "UUUU"))


def one(text: str) -> Listing:
    arrays = parse_mdstat(text)
    assert len(arrays) == 1
    return arrays[0]


def test_a_recorded_array_is_read_whole() -> None:
    text = kept_step("md_raid5", "06-replaced")["mdstat.txt"]
    assert one(text) == Listing(
        name="md0",
        running=True,
        level="raid5",
        members=(
            Listed(name="sde", number=5),
            Listed(name="sdd", number=4),
            Listed(name="sdc", number=2),
            Listed(name="sda", number=0),
        ),
        size_kib=485376,
        metadata="1.2",
        wanted=4,
        active=3,
        up=(True, False, True, True),
        progress=Progress(
            action="recovery", done_kib=13056, total_kib=161792, kib_per_second=13056
        ),
        said="active raid5 [4/3] [U_UU]",
    )


@pytest.mark.parametrize(("scenario", "step"), kept_steps())
def test_every_recorded_summary_of_arrays_is_understood(scenario: str, step: str) -> None:
    text = kept_step(scenario, step).get("mdstat.txt")
    if text is not None:
        assert not [word for array in parse_mdstat(text) for word in array.unknown]


def test_progress_follows_the_handbook() -> None:
    """Source: a published log, 1387847968/1953512384 at 16041K/sec, printed 71.0%, 587.6 min."""
    bar = (
        "[==============>......]  recovery = 71.0% (1387847968/1953512384) "
        "finish=587.6min speed=16041K/sec"
    )
    progress = one(mdstat(line("sda[2] sdb[1]", "_U", level="raid1", more=bar))).progress
    assert progress is not None
    assert progress.total_kib
    assert progress.done_kib
    assert progress.kib_per_second
    assert progress.done_kib / progress.total_kib == pytest.approx(0.710, abs=0.0005)
    left = (progress.total_kib - progress.done_kib) / progress.kib_per_second / 60
    assert left == pytest.approx(587.6, abs=0.2)


def test_flags_are_kept() -> None:
    array = one(mdstat(line("sde[5](S) sdd[4](J) sdb[1](F) sdc[2](R) sda[0](W)", "UU")))
    assert {m.name: set(m.flags) for m in array.members} == {
        "sde": {"S"},
        "sdd": {"J"},
        "sdb": {"F"},
        "sdc": {"R"},
        "sda": {"W"},
    }


@pytest.mark.parametrize(
    ("status", "near", "far", "offset"),
    [
        ("512K chunks 2 near-copies", 2, 1, False),
        ("512K chunks 2 far-copies", 1, 2, False),
        ("512K chunks 2 offset-copies", 1, 2, True),
        ("64K chunks 2 near-copies 2 far-copies", 2, 2, False),
        ("512K chunks 2 far-copies 2 devices per set", 1, 2, False),  # raid10_status of raid10.c
    ],
)
def test_raid10_tells_its_copies(status: str, near: int, far: int, offset: bool) -> None:
    text = mdstat(
        "md0 : active raid10 sdd[3] sdc[2] sdb[1] sda[0]\n"
        f"      7813772288 blocks super 1.2 {status} [4/4] [UUUU]"
    )
    array = one(text)
    assert (array.near, array.far, array.offset, array.unknown) == (near, far, offset, ())


@pytest.mark.parametrize("word", ["DELAYED", "PENDING", "REMOTE"])
def test_waiting_work_is_told(word: str) -> None:
    array = one(mdstat(line("sdb[1] sda[0]", "UU", level="raid1", more=f"\tresync={word}")))
    assert array.progress == Progress(action="resync", held=word)
    assert array.unknown == ()


@pytest.mark.parametrize("words", ["(read-only) ", "(auto-read-only) "])
def test_locked_arrays_say_how(words: str) -> None:
    assert one(mdstat(line("sda[0]", "U_", level="raid1", head=words))).locked == words.strip("() ")


def test_inactive_arrays_and_containers_are_told_apart() -> None:
    arrays = parse_mdstat(
        mdstat(
            "md1 : inactive sdb[1](S) sda[0](S)\n      327680 blocks super 1.2\n       ",
            "md127 : inactive sdc[1](S) sdd[0](S)\n      6306 blocks super external:imsm\n       ",
            "md126 : active raid1 sdc[1] sdd[0]\n"
            "      1855 blocks super external:/md127/0 [2/2] [UU]",
            "md2 : active raid1 sdf[1] sde[0]\n      104320 blocks [2/2] [UU]",
            "md3 : active raid0 sdh[1] sdg[0]\n      9999 blocks super 1.2 512k chunks",
            "md4 : broken raid0 sdj[1] sdi[0]\n      9999 blocks super 1.2 512k chunks",
            "md5 : active linear sdl[1] sdk[0]\n      9999 blocks super 1.2 0k rounding",
        )
    )
    assert [(a.name, a.running, a.is_container, a.broken) for a in arrays] == [
        ("md1", False, False, False),
        ("md127", False, True, False),
        ("md126", True, False, False),
        ("md2", True, False, False),
        ("md3", True, False, False),
        ("md4", True, False, True),
        ("md5", True, False, False),
    ]
    assert not [word for array in arrays for word in array.unknown]


@pytest.mark.parametrize(
    "text",
    [
        mdstat(line("sda[0](Q)", "U", level="raid1")),
        mdstat(line("sda[0]", "U", level="raid7")),
        mdstat(line("sda[0]", "U", level="raid1", more="some new line")),
        mdstat(line("sda[0]", "U", level="raid1", more="resync=RESTING")),
        mdstat("md0 : active raid1 sda[0]\n      1 blocks super 1.2 odd [1/1] [U]"),
    ],
)
def test_words_that_are_not_known_are_kept(text: str) -> None:
    assert one(text).unknown


@pytest.mark.parametrize(
    "text",
    [
        "",
        "Personalities : [raid1]\n",
        WHOLE.replace("Personalities", "Personality"),
        WHOLE.replace("[4/4]", "[4/3]"),
        WHOLE.replace("[4/4]", "[5/4]"),
        WHOLE.replace(" sda[0]", ""),
        WHOLE.replace("sda[0]", "sdb[0]"),
        WHOLE.replace("sda[0]", "sda"),
        WHOLE.replace("active", "resting"),
        WHOLE.replace("active raid5", "active"),
        WHOLE.replace(" blocks", ""),
        WHOLE.replace("[4/4] [UUUU]", ""),
        mdstat(line("sda[0]", "U"), line("sda[0]", "U")),
        mdstat(line("sda[0]", "U", more="[==>..]  recovery = 5.0% (9/5) finish=1min speed=1K/sec")),
        mdstat(line("sda[0]", "U", more="[==>..]  dancing = 5.0% (1/5) finish=1min speed=1K/sec")),
        mdstat(line("sda[0]", "U", more="dancing=DELAYED")),
        mdstat("      485376 blocks super 1.2 [1/1] [U]"),
        mdstat("md0 : active raid1\nsda[0]"),
        mdstat("md0 : active raid10 sda[0]\n      1 blocks super 1.2 0 near-copies [1/1] [U]"),
    ],
)
def test_what_does_not_fit_together_is_refused(text: str) -> None:
    with pytest.raises(CannotParse):
        parse_mdstat(text)


def test_levels_that_are_loaded_and_no_array_is_an_answer() -> None:
    assert parse_mdstat(mdstat()) == ()
    assert parse_mdstat("Personalities :\nread_ahead not set\nunused devices: <none>\n") == ()


@given(st.text() | st.text(alphabet="md0 :active[]()U_SFblocks19/\n=>.%-KM").map(mdstat))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        parse_mdstat(text)
    except CannotParse:
        return


def test_a_summary_that_is_cut_anywhere_is_refused() -> None:
    text = kept_step("md_raid1_raid6", "05-raid6-one-gone")["mdstat.txt"]
    end = text.index("unused devices:") + len("unused devices:")
    for length in range(end):
        with pytest.raises(CannotParse):
            parse_mdstat(text[:length])
