"""One look, put together: each source fails alone, and nothing unseen is called seen."""

from __future__ import annotations

import json
import threading
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from watcher.demo.box import SimBox
from watcher.demo.story import BOX, new_box
from watcher.facts.drive import Metric, Recovery, Unread
from watcher.facts.identity import DriveId
from watcher.facts.kernel_event import Category
from watcher.facts.pool import AtStake, Protection
from watcher.facts.survey import Survey
from watcher.readers.block_map import Block, BlockMap
from watcher.readers.blocks import read_blocks
from watcher.readers.discovery import ToldDrive
from watcher.readers.drives import Silence
from watcher.readers.host import Ended, Ran
from watcher.readers.pools.declared import DeclaredMember, DeclaredPool
from watcher.readers.survey import Looking, Surveyor, loops_below_pools, names_of
from watcher.readers.taken import Taken

NOW = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


class Without(SimBox):
    """A box that lacks some programs or files."""

    def __init__(self, programs: Sequence[str] = (), files: Sequence[str] = ()) -> None:
        whole = new_box()
        super().__init__(
            name=whole.name,
            now=whole.now,
            drives=whole.drives,
            arrays=whole.arrays,
            log=whole.log,
        )
        self.lacking = tuple(programs)
        self.forbidden = tuple(files)

    def run(
        self, argv: Sequence[str], *, limit_seconds: float = 30.0, lane: str | None = None
    ) -> Ran:
        if argv[0] in self.lacking:
            return Ran(argv=tuple(argv), ended=Ended.MISSING, status=127)
        return super().run(argv, limit_seconds=limit_seconds, lane=lane)

    def read_text(self, path: str) -> str:
        if path in self.forbidden:
            raise PermissionError(13, "not permitted", path)
        return super().read_text(path)


def look(box: SimBox, looking: Looking | None = None) -> Surveyor:
    return Surveyor(box, looking or Looking(box=BOX))


def test_a_whole_box_is_seen_whole() -> None:
    survey = look(new_box()).take("s1", NOW).survey
    assert len(survey.drives) == 8
    assert survey.blind == ()
    assert {"block-devices", "drive-discovery", "md", "kernel-log"} <= set(survey.answered)
    assert survey.survey == "s1"


def test_without_lsblk_drives_and_pools_are_still_looked_at_and_the_gap_is_told() -> None:
    survey = look(Without(["lsblk"])).take("s", NOW).survey
    assert "block-devices" in {blind.source for blind in survey.blind}
    assert "block-devices" not in survey.answered
    assert len(survey.drives) == 8
    assert {pool.protection for pool in survey.pools} <= {Protection.WHOLE, Protection.UNKNOWN}


def test_without_smartctl_every_drive_is_there_and_unread() -> None:
    survey = look(Without(["smartctl"])).take("s", NOW).survey
    assert survey.drives == ()
    assert {unread.why for unread in survey.unread} == {Unread.TOOL_MISSING}
    assert len(survey.present) == 8
    assert "drive-discovery" not in survey.answered


def test_an_unreadable_mdstat_is_blind_and_not_no_pools() -> None:
    survey = look(Without(files=["/proc/mdstat"])).take("s", NOW).survey
    assert "md" in {blind.source for blind in survey.blind}
    assert "md" not in survey.answered


def test_without_a_journal_the_kernel_log_is_blind() -> None:
    survey = look(Without(["journalctl"])).take("s", NOW).survey
    assert "kernel-log" in {blind.source for blind in survey.blind}
    assert "kernel-log" not in survey.answered


def test_a_kernel_log_that_is_not_wanted_is_neither_read_nor_missed() -> None:
    survey = look(new_box(), Looking(box=BOX, kernel_log="none")).take("s", NOW).survey
    assert survey.blind == ()
    assert survey.events == ()


def test_a_kernel_line_is_given_to_the_drive_it_means_and_only_once() -> None:
    box = new_box()
    surveyor = look(box)
    first = surveyor.take("s1", box.now)
    box.pass_time(timedelta(minutes=1))
    box.say("critical medium error, dev sdc, sector 4711 op 0x0:(READ) flags 0x0")
    second = surveyor.take("s2", box.now, position=first.position)
    (event,) = [e for e in second.survey.events if e.category is Category.MEDIUM]
    assert event.subject is not None
    assert event.subject.key == "wwn-5000a1400000005c"
    third = surveyor.take("s3", box.now, position=second.position)
    assert third.survey.events == ()


def test_the_owners_bays_are_shown_and_unwatched_drives_left_out() -> None:
    told = (
        ToldDrive(serial="AL4711", bay="top left"),
        ToldDrive(serial="BR4748", watch=False),
    )
    survey = look(new_box(), Looking(box=BOX, told=told)).take("s", NOW).survey
    assert {r.identity.serial: r.bay for r in survey.drives}["AL4711"] == "top left"
    assert "BR4748" not in {r.identity.serial for r in survey.drives}


def test_a_declared_pool_follows_its_members() -> None:
    pool = DeclaredPool(
        name="meadow",
        members=(DeclaredMember(name="DO8746"), DeclaredMember(name="DO8837")),
        bears=1,
        at_stake=AtStake.MEMBER,
    )
    box = new_box()
    looking = Looking(box=BOX, declared=(pool,))
    (whole,) = [p for p in look(box, looking).take("s", NOW).survey.pools if p.name == "meadow"]
    assert whole.protection is Protection.WHOLE
    box.pull("g")
    (bare,) = [p for p in look(box, looking).take("s", NOW).survey.pools if p.name == "meadow"]
    assert bare.protection is Protection.BARE


def test_kernel_names_stand_for_drives_and_pools() -> None:
    box = new_box()
    blocks = read_blocks(box)
    survey = look(box).take("s", NOW).survey
    names = names_of(box, blocks, survey.pools)
    disk, array, port = names.lookup("sda1"), names.lookup("md0"), names.lookup("ata3.00")
    assert disk is not None
    assert array is not None
    assert port is not None
    assert DriveId(disk.key) == "wwn-5000a1400000005a"
    assert array.key.startswith("md:")
    assert port.key == "wwn-5000a1400000005c"
    assert loops_below_pools(blocks) == ()


def test_the_kernel_may_call_a_drive_by_any_of_its_links() -> None:
    box = new_box()
    blocks = read_blocks(box)
    link = next(path for path, name in blocks.links if name == "sda" and "by-id" in path)
    names = names_of(box, blocks, look(box).take("s", NOW).survey.pools)
    assert names.lookup(link.removeprefix("/dev/")) == names.lookup("sda")
    assert names.lookup("disk/by-id/ata-Nobody") is None


def test_what_stands_on_a_pool_is_the_pools() -> None:
    """A filesystem in a locked device on an array is damaged: the kernel says dm-0, and nothing
    else would tell whose that is."""
    box = new_box()
    survey = look(box).take("s", NOW).survey
    blocks = read_blocks(box)
    crypt = Block(kname="dm-0", name="vault", kind="crypt", parents=("md0",))
    names = names_of(box, BlockMap((*blocks.blocks, crypt)), survey.pools)
    assert names.lookup("dm-0") == names.lookup("md0")
    assert names.lookup("dm-1") is None


def test_what_the_kernel_counts_is_told_from_the_second_look_on() -> None:
    box = new_box()
    surveyor = look(box)
    first = surveyor.take("s1", NOW).survey
    box.now += timedelta(minutes=10)
    second = surveyor.take("s2", NOW + timedelta(minutes=10)).survey
    assert {r.metric(Metric.WAIT_MICROSECONDS) for r in first.drives} == {None}
    assert {r.metric(Metric.WAIT_MICROSECONDS) for r in second.drives} == {7_500}
    assert {r.metric(Metric.THROUGHPUT_BYTES_PER_SECOND) for r in second.drives} == {20 * 64 * 1024}


class Unlimited(SimBox):
    """A box whose drives have no limit to how long they try a bad sector."""

    def __init__(self) -> None:
        whole = new_box()
        super().__init__(
            name=whole.name,
            now=whole.now,
            drives=whole.drives,
            arrays=whole.arrays,
            log=whole.log,
        )
        self.asked: list[Sequence[str]] = []

    def run(
        self, argv: Sequence[str], *, limit_seconds: float = 30.0, lane: str | None = None
    ) -> Ran:
        ran = super().run(argv, limit_seconds=limit_seconds, lane=lane)
        if argv[0] != "smartctl" or "-a" not in argv:
            return ran
        self.asked.append(argv)
        if "scterc" not in argv:
            return ran
        document = json.loads(ran.stdout)
        document["ata_sct_erc"] = {part: {"enabled": False} for part in ("read", "write")}
        return replace(ran, stdout=json.dumps(document))

    def read_text(self, path: str) -> str:
        return "30\n" if path.endswith("/device/timeout") else super().read_text(path)


def test_who_gives_up_first_is_known_at_every_look_and_costs_no_question_more() -> None:
    box = Unlimited()
    surveyor = look(box)
    asked = []
    for number, deep in enumerate((True, False)):
        box.asked.clear()
        survey = surveyor.take(f"s{number}", NOW, deep=deep).survey
        asked.append(["scterc" in argv for argv in box.asked])
        assert {one.recovery for one in survey.drives} == {
            Recovery(limit_milliseconds=None, kernel_seconds=30)
        }
    drives = len(box.drives)
    assert asked == [[True] * drives, [False] * drives]


class Silent(SimBox):
    """A box of which one drive answers only when it is let go."""

    def __init__(self, silent: str) -> None:
        whole = new_box()
        super().__init__(
            name=whole.name,
            now=whole.now,
            drives=whole.drives,
            arrays=whole.arrays,
            log=whole.log,
        )
        self.silent = silent
        self.let_go = threading.Event()
        self.logs_read = 0
        self.abandoned = False

    def run(
        self, argv: Sequence[str], *, limit_seconds: float = 30.0, lane: str | None = None
    ) -> Ran:
        if argv[0] == "smartctl" and argv[-1] == self.silent:
            self.let_go.wait(limit_seconds)
        self.logs_read += argv[0] == "journalctl"
        return super().run(argv, limit_seconds=limit_seconds, lane=lane)

    def abandon(self) -> None:
        self.abandoned = True


class Person:
    """One who waits until the rest was shown, and then lets the drive go or has had enough."""

    early_seconds = 0.0

    def __init__(self, box: Silent, *, stays: bool) -> None:
        self.box, self.stays = box, stays
        self.shown: list[Survey] = []

    def early(self, taken: Taken) -> None:
        self.shown.append(taken.survey)

    def goes_on(self, silence: Silence) -> bool:
        assert [target.node for target in silence.silent] == [self.box.silent]
        if self.stays:
            self.box.let_go.set()
        return self.stays


def test_all_the_rest_is_shown_while_a_drive_is_silent() -> None:
    box = Silent("/dev/sdb")
    person = Person(box, stays=True)
    survey = look(box).take("s1", NOW, patience=person).survey
    whole = look(new_box()).take("s1", NOW).survey
    assert survey == whole
    (early,) = person.shown
    assert [(one.node, one.why) for one in early.unread] == [("/dev/sdb", Unread.NOT_YET)]
    assert (early.pools, early.events, early.blind) == (whole.pools, whole.events, whole.blind)
    assert box.logs_read == 1


def test_who_has_had_enough_gets_the_rest_and_nothing_is_left_running() -> None:
    box = Silent("/dev/sdb")
    survey = look(box).take("s1", NOW, patience=Person(box, stays=False)).survey
    assert [(one.node, one.why) for one in survey.unread] == [("/dev/sdb", Unread.NOT_YET)]
    assert len(survey.drives) == len(look(new_box()).take("s1", NOW).survey.drives) - 1
    assert box.abandoned
    box.let_go.set()
